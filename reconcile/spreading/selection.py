"""Choice between fitted models, and its reason in words.

The fullest model that the data can carry is the starting point, because a simpler one that is wrong is wrong with
confidence. A simpler one takes its place where it foretells stations that are left out better and its AICc is lower
by more than 2, or where the data cannot carry the fuller one: too few ranges or levels, N and alpha not separable, a
negative alpha. The two-regime law is taken only where it foretells better and its AICc is lower by more than 2: with
a transition to choose, nearly anything can be met. Between models with as many coefficients the one that comes first
in the order below is kept unless the other foretells better and its likelihood is higher by as much. With two distinct
ranges the simplest is taken, whatever the criteria: a straight line meets both, and so does any other law.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from reconcile.vocabulary.documents.fit import ModelName

NEEDED_GAIN = 2.0  # of AICc
MOST_CORRELATION = 0.99  # of the errors of N and alpha: beyond it one stands for the other
LEAST_RANGES = 4  # distinct ones for N and alpha: three would be met exactly, with nothing left to judge them by
TOLD_APART_RANGES = 3  # distinct ones, for one law to be told from another
_ORDER: tuple[ModelName, ...] = ("spreading", "damped_cylindrical", "spreading_attenuation", "two_regime")
_FULLEST: ModelName = "spreading_attenuation"
_EXPOSURES = (None, "exposure_level", "cumulative_exposure_level")
_ROUNDING = 1e-6  # dB: differences of predictions that mean nothing
_ALIKE_DB, _ALIKE_AICC = 0.005, 0.05  # differences that are nothing as printed


@dataclass(frozen=True, slots=True)
class Candidate:
    """A fitted model as the choice sees it: N in dB per decade, alpha in dB/km, AICc (None: too few levels for it).

    `left_out_db` is the root mean square error with which left-out stations (or rows) are foretold; None where that
    cannot be done. `correlation` is that of the errors of N and alpha. `two_ranges`: heard at fewer than three.
    """

    model: ModelName
    quantity: str | None
    spreading_db_per_decade: float
    attenuation_db_per_km: float
    n_coefficients: int
    minus_2_log_likelihood: float
    aicc: float | None
    left_out_db: float | None = None
    correlation: float = 0.0
    n_ranges: int | None = None
    further_spreading_db_per_decade: float = 0.0
    two_ranges: bool = False
    selected: bool = False
    reason: str = ""

    @property
    def objection(self) -> str | None:
        """Why the data or the quantity do not support this model; None where they do."""
        fullest = self.model == _FULLEST
        if self.model == "damped_cylindrical" and self.quantity not in _EXPOSURES:
            return "damped cylindrical spreading describes exposure, not peak or rms"
        if self.attenuation_db_per_km < 0:
            return f"the attenuation came out negative ({self.attenuation_db_per_km:.3g} dB/km)"
        if fullest and self.spreading_db_per_decade < 0:
            return f"the spreading coefficient came out negative ({self.spreading_db_per_decade:.3g} dB per decade)"
        if self.model == "two_regime" and min(self.spreading_db_per_decade, self._beyond) < 0:
            return "the level would rise with range in one of the two regimes"
        if fullest and self.n_ranges is not None and self.n_ranges < LEAST_RANGES:
            return f"{self.n_ranges} ranges are met exactly by three coefficients: nothing is left to judge them by"
        if abs(self.correlation) > MOST_CORRELATION:
            return f"N and alpha cannot be told apart (their errors correlate by {self.correlation:.3f})"
        return None

    @property
    def _beyond(self) -> float:
        """N beyond the transition."""
        return self.spreading_db_per_decade + self.further_spreading_db_per_decade

    @property
    def supported(self) -> bool:
        return self.objection is None

    @property
    def rises(self) -> bool:
        """Whether the level rises with range: a warning where the simplest model says so."""
        return self.model == "spreading" and self.spreading_db_per_decade <= 0


def choose(candidates: Sequence[Candidate]) -> dict[ModelName, Candidate]:
    """The candidates by model, exactly one selected, each with the reason for or against it.

    `spreading` is always among them and always supported.
    """
    by_model = {candidate.model: candidate for candidate in candidates}
    ordered = [by_model[model] for model in _ORDER if model in by_model]
    best = ordered[0]
    for candidate in ordered[1:]:
        if candidate.supported and _preferred(candidate, best):
            best = candidate
    return {
        candidate.model: replace(candidate, selected=candidate is best, reason=_reason(candidate, best, ordered))
        for candidate in ordered
    }


def _preferred(candidate: Candidate, best: Candidate) -> bool:
    """Whether a supported candidate further down the order takes the place of the best so far."""
    gain = _gain(candidate, best)
    if candidate.two_ranges:
        return False
    if candidate.n_coefficients == best.n_coefficients:
        return gain is not None and gain > NEEDED_GAIN and not _foretells(best, candidate)
    if candidate.model == "two_regime":
        return gain is not None and gain > NEEDED_GAIN and _foretells(candidate, best)
    return gain is not None and not (-gain > NEEDED_GAIN and _foretells(best, candidate))


def _foretells(first: Candidate, second: Candidate) -> bool:
    """Whether the first foretells left-out stations no worse than the second, as far as that can be judged."""
    if first.left_out_db is None or second.left_out_db is None:
        return first.n_coefficients < second.n_coefficients
    better = first.left_out_db - second.left_out_db
    return better < -_ROUNDING or (better < _ROUNDING and first.n_coefficients < second.n_coefficients)


def _gain(candidate: Candidate, best: Candidate) -> float | None:
    """How much lower the candidate's AICc is; None where it cannot be told."""
    if candidate.n_coefficients == best.n_coefficients:
        return best.minus_2_log_likelihood - candidate.minus_2_log_likelihood
    return None if candidate.aicc is None or best.aicc is None else best.aicc - candidate.aicc


def _reason(candidate: Candidate, best: Candidate, ordered: Sequence[Candidate]) -> str:
    if candidate is not best:
        return candidate.objection or f"{_comparison(candidate, best)}: {best.model} is kept"
    others = [c for c in ordered if c is not best]
    if not others:
        return "the only model that the ranges can identify"
    if not any(c.supported for c in others):
        return "the only model that the data support"
    against = next((c for c in reversed(others) if c.supported), others[0])
    start = _RULE if best.model == _FULLEST else ""
    compared = _comparison(best, against)
    return f"{start}: {compared}" if start else compared


_RULE = f"kept, for no simpler model both foretells no worse and has an AICc lower by more than {NEEDED_GAIN:g}"


def _alike(candidate: Candidate, other: Candidate) -> bool:
    """Whether neither criterion nor foretelling differ, as printed, or two ranges leave nothing to compare."""
    gain = _gain(candidate, other)
    one, two = candidate.left_out_db, other.left_out_db
    same = one is two is None or (one is not None and two is not None and abs(one - two) < _ALIKE_DB)
    return candidate.two_ranges or (same and gain is not None and abs(gain) < _ALIKE_AICC)


def _comparison(candidate: Candidate, other: Candidate) -> str:
    """How a model does beside another one: cross-validation first, the criterion beside it."""
    said = ["laws not told apart"] if _alike(candidate, other) else []
    if candidate.left_out_db is not None and other.left_out_db is not None:
        said.append(
            f"foretells what is left out to {candidate.left_out_db:.2f} dB "
            f"({other.model} to {other.left_out_db:.2f} dB)"
        )
    gain = _gain(candidate, other)
    if gain is None:
        said.append("too few levels to judge whether a further coefficient is needed")
    else:
        said.append(f"AICc {'lower' if gain >= 0 else 'higher'} by {abs(gain):.1f} than that of {other.model}")
    return ", ".join(said)
