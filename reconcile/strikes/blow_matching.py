"""Which logged blow each strike was, once the log's clock is known: in order, one to one, and only where it is sure.

Strikes and blows within reach of each other form small chains; in each, all ways of pairing in order are weighed (a
sum over all of them, forwards and backwards), so that a pair carries its probability. Of logs that are rounded
coarsely, where one step may hold several blows, `coarse_matching.py` weighs the order as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reconcile.strikes.coarse_matching import INVENTED, MISSING, Candidates, candidates, chain_starts, pairs_within
from reconcile.strikes.trains import Indices
from reconcile.vocabulary.quantities import FloatArray

SURE = 0.95
SURE_COARSE = 0.99  # several in a hundred strikes are in doubt there, and none of them is to go unmarked
CARRIED = 0.55  # odds of 11 to 9: what is less likely is one of two that are about as good
AGREE = 0.05  # energies of blows of which a strike may be any
_COARSE_S = 0.05
_SPREADS = 6.0
_LEAST_TOLERANCE_S, _LARGEST_TOLERANCE_S = 0.05, 0.25
_STATION, _MOST_STATIONS = 2.0, 3  # log odds for each further station


@dataclass(frozen=True, slots=True)
class Matches:
    """For each strike the index of its blow, or -1, and whether that is unsure.

    In a coarse log an unsure strike carries the likeliest blow where that is better than any other by far enough; there
    `candidates` holds all that it may have been.
    """

    blow: Indices
    unsure: NDArray[np.bool_]
    candidates: Candidates | None = None

    def energy_kj(self, logged_kj: FloatArray) -> FloatArray:
        """Each strike's energy, NaN where there is none: of an unsure one the mean of the blows that it may have been,
        weighted by their probability, if these agree within 5 %.
        """
        energy = np.full(len(self.blow), np.nan)
        sure = (self.blow >= 0) & ~self.unsure
        energy[sure] = logged_kj[self.blow[sure]]
        if self.candidates is not None:
            unsure = self.unsure & (self.candidates.none <= 1.0 - SURE_COARSE)
            mean_kj = _agreed(self.candidates, logged_kj, len(energy))
            energy[unsure] = mean_kj[unsure]
        return energy


def _agreed(found: Candidates, logged_kj: FloatArray, n: int) -> FloatArray:
    """Mean energy of each strike's possible blows; NaN where they do not agree or one is not known."""
    possible = found.probability > 1.0 - SURE_COARSE
    strike, probability = found.strike[possible], found.probability[possible]
    energy = logged_kj[found.blow[possible]]
    least, most = np.full(n, np.inf), np.full(n, -np.inf)
    weight = np.bincount(strike, probability, minlength=n)
    mean = np.bincount(strike, probability * energy, minlength=n) / np.where(weight > 0, weight, np.nan)
    with np.errstate(invalid="ignore"):
        np.minimum.at(least, strike, energy)
        np.maximum.at(most, strike, energy)
        return np.where(most <= (1.0 + AGREE) * least, mean, np.nan)


def match(
    strike_s: FloatArray,
    blow_s: FloatArray,
    spread_s: float,
    interval_s: float,
    rounded_to_s: float,
    n_stations: Indices | None = None,
) -> Matches:
    """Pair strikes with blows on one clock; both in order of time. `spread_s`: of the jitter (before rounding).

    `n_stations` that heard a strike speak for it, where two are near one blow.
    """
    if rounded_to_s > _COARSE_S:
        return _likeliest(candidates(strike_s, blow_s, spread_s, interval_s, rounded_to_s, n_stations))
    n = len(strike_s)
    blow, unsure = np.full(n, -1, dtype=np.int64), np.zeros(n, dtype=bool)
    reach_s = min(max(_SPREADS * spread_s, _LEAST_TOLERANCE_S), _LARGEST_TOLERANCE_S, 0.35 * interval_s)
    strike, other = pairs_within(strike_s, blow_s, reach_s)
    gain = _gain(blow_s[other] - strike_s[strike], spread_s, interval_s)
    if n_stations is not None:
        gain = gain + _STATION * np.minimum(n_stations[strike] - 1, _MOST_STATIONS)
    starts = chain_starts(strike, other)
    lengths = np.diff(np.append(starts, len(strike)))
    alone = starts[lengths == 1]
    sure = 1.0 / (1.0 + np.exp(-gain[alone]))
    blow[strike[alone[sure >= 0.5]]] = other[alone[sure >= 0.5]]
    unsure[strike[alone]] = (sure < SURE) & (sure > 1.0 - SURE)
    for start, length in zip(starts[lengths > 1], lengths[lengths > 1], strict=True):
        part = slice(start, start + length)
        _chain(strike[part], other[part], gain[part], blow, unsure)
    return Matches(blow, unsure)


def _likeliest(found: Candidates) -> Matches:
    """The likeliest blow of each strike, or none; unsure where it is not nearly certain."""
    n = len(found.none)
    most, blow = np.zeros(n), np.full(n, -1, dtype=np.int64)
    np.maximum.at(most, found.strike, found.probability)
    best = (found.probability >= CARRIED) & (found.probability == most[found.strike])
    blow[found.strike[best]] = found.blow[best]
    return Matches(blow, np.maximum(most, found.none) < SURE_COARSE, found)


def _gain(residual_s: FloatArray, spread_s: float, interval_s: float) -> FloatArray:
    """Log odds that two events are one blow, against a strike that is not in the log beside a blow that never was."""
    log_density = -0.5 * (residual_s / spread_s) ** 2 - np.log(spread_s * np.sqrt(2.0 * np.pi))
    return np.asarray(log_density + np.log(interval_s) - np.log(MISSING) - np.log(INVENTED))


def _chain(strike: Indices, other: Indices, gain: FloatArray, blow: Indices, unsure: NDArray[np.bool_]) -> None:
    """Weigh all pairings in order of one chain and write down the likeliest partner of each of its strikes."""
    s0, b0 = int(strike[0]), int(other.min())
    weight = np.full((int(strike[-1]) - s0 + 1, int(other.max()) - b0 + 1), -np.inf)
    weight[strike - s0, other - b0] = gain
    forward = _sums(weight)
    backward = _sums(weight[::-1, ::-1])[::-1, ::-1]
    total = forward[-1, -1]
    pair = np.exp(np.minimum(forward[:-1, :-1] + weight + backward[1:, 1:] - total, 0.0))
    for k in range(len(pair)):
        best = int(np.argmax(pair[k]))
        none = 1.0 - pair[k].sum()
        if pair[k, best] >= SURE:
            blow[s0 + k] = b0 + best
        elif none < SURE:
            unsure[s0 + k] = True


def _sums(weight: FloatArray) -> FloatArray:
    """Log sums over all pairings in order of the first i strikes and j blows, shape (strikes + 1, blows + 1)."""
    n, m = weight.shape
    total = np.zeros((n + 1, m + 1))
    for i in range(1, n + 1):
        # rows i-1 and i: a strike is paired with blow k and nothing after it, or left alone
        paired = total[i - 1, :-1] + weight[i - 1]
        total[i, 0] = total[i - 1, 0]
        reached = np.logaddexp.accumulate(paired)
        total[i, 1:] = np.logaddexp(total[i - 1, 1:], reached)
    return total
