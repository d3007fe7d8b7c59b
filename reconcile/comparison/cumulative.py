"""Cumulative levels: what the hammer did of the difference, apart from what one strike did.

    predicted - recorded = (one strike: energy mean at the predicted energy)
                         + 10 lg(strikes predicted / strikes summed) + (energies: predicted less as struck)

The identity is exact where the prediction holds one energy for all of its strikes; only its first term is acoustics.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC

import numpy as np

from reconcile.comparison.row_groups import PredictedLevel, RowGroup
from reconcile.spreading.energy import PRIOR_SD_DB_PER_DECADE
from reconcile.vocabulary.documents.campaign import Campaign, Pile
from reconcile.vocabulary.documents.fit import Fit
from reconcile.vocabulary.quantities import FloatArray, energy_mean_db

FAR_ENERGY = 2.0  # factor between predicted and measured energy beyond which a pair is flagged


@dataclass(frozen=True, slots=True)
class Operations:
    """What the hammer did of a difference, dB, predicted less as built; NaN where it is not told.

    `gap_decades` is the mean of log10 of predicted over measured strike energy, weighted by the strikes' sound energy.
    """

    energy_part_db: float = math.nan
    strike_count_part_db: float = 0.0
    piles_part_db: float = 0.0
    gap_decades: float = math.nan
    energy_uncertainty_db: float = 0.0


def energy_uncertainty_db(coefficient_error: float, gap_decades: float) -> float:
    """What bringing levels over some decades of energy adds to their uncertainty, dB.

    The coefficient's own error over all of them; over what lies beyond a factor of two, where no coefficient was
    fitted, also that of an assumed one.
    """
    beyond = max(abs(gap_decades) - math.log10(FAR_ENERGY), 0.0)
    return math.hypot(coefficient_error * gap_decades, PRIOR_SD_DB_PER_DECADE * beyond)


def piles_summed(group: RowGroup, pile: Pile, campaign: Campaign) -> tuple[Pile, ...]:
    """The piles whose sum a cumulative prediction is held against: the pile, or all of its UTC day.

    A prediction of one pile meets single piles. One of several meets the sum over all piles of the day (by their
    starts) that name it and were installed alike.
    """
    if (group.shared.n_piles or 1) == 1:
        return (pile,)
    day = pile.start_utc.astimezone(UTC).date()
    alike = ("prediction_id", "installation_method", "foundation_type", "abatement")
    state = {name: getattr(pile, name) for name in alike}
    return tuple(
        other.model_copy(update=state)
        for other in sorted(campaign.piles, key=lambda p: (p.start_utc, p.pile_id))
        if other.start_utc.astimezone(UTC).date() == day
        and all(getattr(other, name) == state[name] for name in ("prediction_id", "foundation_type"))
        and (other.pile_id == pile.pile_id or all(getattr(other, name) == state[name] for name in alike))
    )


def predicted_sum(group: RowGroup, range_m: FloatArray, n_strikes: FloatArray, fit: Fit | None) -> PredictedLevel:
    """The prediction for strikes at several distances, dB: its energy mean over all strikes.

    `range_m` and `n_strikes` are of the summed piles, shape (n,). Read at one pile's distance, the difference of
    distances would pass for acoustics: so read, the acoustic part of a sum lies between those of its piles.
    """
    each = [group.at(float(one), fit) for one in range_m]
    powers = 10.0 ** (np.array([one.level_db for one in each]) / 10.0)
    level = 10.0 * math.log10(float(np.average(powers, weights=n_strikes)))
    return PredictedLevel(level, any(one.carried for one in each), any(one.extrapolated for one in each))


def operations(
    group: RowGroup,
    level_db: FloatArray,
    energy_kj: FloatArray,
    coefficient: tuple[float, float],
    n_strikes: int,
    n_piles: int,
) -> Operations:
    """The hammer's parts of a cumulative difference.

    `level_db` and `energy_kj` are of the strikes with both, shape (n,); `coefficient` and its standard error are in dB
    per decade of energy; `n_strikes` of `n_piles` piles are in the measured sum.
    """
    shared = group.shared
    predicted_piles = shared.n_piles or 1
    piles = 10.0 * math.log10(predicted_piles / n_piles)
    count = math.nan
    if shared.n_strikes is not None and n_strikes > 0:
        count = 10.0 * math.log10(shared.n_strikes / predicted_piles / (n_strikes / n_piles))
    if shared.energy_kj is None or not level_db.size:
        return Operations(strike_count_part_db=count, piles_part_db=piles)
    decades = np.log10(shared.energy_kj / energy_kj)
    raised = level_db + coefficient[0] * decades
    weight = 10.0 ** ((raised - raised.max()) / 10.0)
    gap = float(weight @ decades / weight.sum())
    return Operations(
        energy_part_db=energy_mean_db(raised) - energy_mean_db(level_db),
        strike_count_part_db=count,
        piles_part_db=piles,
        gap_decades=gap,
        energy_uncertainty_db=energy_uncertainty_db(coefficient[1], gap),
    )
