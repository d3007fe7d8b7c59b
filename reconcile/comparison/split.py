"""A bias split into what the hammer did, the abatement, the source and the propagation, each with its interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.comparison.bias_model import BiasFit, energy_errors_db, pair_structure
from reconcile.inference import Estimate, fit_linear
from reconcile.vocabulary.documents.bias_parts import Interval, SplitPart
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray

_NORMAL_95 = 1.959963984540054
_KEYS = ("model_id", "quantity", "weighting", "band_hz", "statistic", "installation_method", "foundation_type",
         "receiver")  # fmt: skip
_OFFSET = "offset of the mixed model over piles, places and chains at the reference range"
_SLOPE = "slope of the mixed model on log10 of range, from the reference range to the one that is split"


@dataclass(frozen=True, slots=True)
class Contrast:
    """The abatement's part of a bias and what is left of the source, from pairs with and without it together."""

    abatement: Estimate
    source: Estimate


def far_range_m(pairs: pd.DataFrame, reference_range_m: float) -> float:
    """The measured range that lies furthest from the reference, as a ratio."""
    ends = (float(pairs["range_m"].min()), float(pairs["range_m"].max()))
    return max(ends, key=lambda range_m: abs(math.log(range_m / reference_range_m)))


def split_parts(pairs: pd.DataFrame, fit: BiasFit, counted: pd.DataFrame, campaign: Campaign) -> tuple[SplitPart, ...]:
    """The parts of the bias of some pairs at their far range; `fit` is of the acoustic part of the same pairs.

    `counted` holds all pairs, those of other abatement states among them.
    """
    contrast = abatement_contrast(pairs, counted, campaign, fit.reference_range_m)
    cumulative = pairs["quantity"].iloc[0] == "cumulative_exposure_level"
    parts = [_energy(pairs, fit)]
    if cumulative:
        parts += [_count(pairs, fit, campaign), _piles(pairs, fit)]
    return (*parts, _abatement(pairs, contrast), _source(fit, contrast), _propagation(pairs, fit))


def _told(part: str, cause: str, value: float, sd: float, interval: Interval, statistic: str) -> SplitPart:
    return SplitPart.model_validate(
        {
            "part": part,
            "cause": cause,
            "value_db": value,
            "standard_uncertainty_db": sd,
            "interval_95_db": interval,
            "statistic": statistic,
        }
    )


def _untold(part: str, cause: str, reason: str) -> SplitPart:
    return SplitPart.model_validate(
        {
            "part": part,
            "cause": cause,
            "value_db": None,
            "standard_uncertainty_db": None,
            "interval_95_db": None,
            "statistic": "",
            "reason": reason,
        }
    )


def _shares(fit: BiasFit) -> FloatArray:
    """The weight of each pair in the bias at the reference range; they add to one."""
    return np.asarray(fit.linear.weights[0])


def _energy(pairs: pd.DataFrame, fit: BiasFit) -> SplitPart:
    part = pairs["energy_part_db"].to_numpy(np.float64)
    known = np.isfinite(part)
    if not known.any():
        stated = pairs["predicted_energy_kj"].notna().any()
        reason = "no strike energies were logged" if stated else "the prediction states no strike energy"
        return _untold("energy", "operations", f"{reason}: what they do is inside the source's part")
    value = float(_shares(fit) @ np.where(known, part, 0.0))
    sd = abs(float(_shares(fit) @ energy_errors_db(pairs)))
    of = "" if known.all() else f", known of {int(known.sum())} of {known.size} pairs"
    statistic = f"predicted less recorded, strikes brought to the predicted energy by the energy coefficient{of}"
    return _told("energy", "operations", value, sd, (value - _NORMAL_95 * sd, value + _NORMAL_95 * sd), statistic)


def _count(pairs: pd.DataFrame, fit: BiasFit, campaign: Campaign) -> SplitPart:
    part = pairs["strike_count_part_db"].to_numpy(np.float64)
    if not np.isfinite(part).all():
        reason = "the prediction does not say of how many strikes: their number is inside the source's part"
        return _untold("strike_count", "operations", reason)
    value = float(_shares(fit) @ part)
    logged = campaign.n_logged or {}
    missing = [
        max(math.log10(logged[pile] / n), 0.0) if pile in logged and part_of_day == 0.0 else 0.0
        for pile, n, part_of_day in zip(pairs["pile_id"], pairs["n_strikes"], pairs["piles_part_db"], strict=True)
    ]
    low = value - 10.0 * float(_shares(fit) @ np.array(missing))
    sd = abs(value - low) / math.sqrt(12.0)
    statistic = "10 lg of strikes a pile predicted over strikes summed; the interval reaches to the blows logged"
    return _told("strike_count", "operations", value, sd, (min(low, value), max(low, value)), statistic)


def _piles(pairs: pd.DataFrame, fit: BiasFit) -> SplitPart:
    value = float(_shares(fit) @ pairs["piles_part_db"].to_numpy(np.float64))
    return _told(
        "piles_a_day", "operations", value, 0.0, (value, value), "10 lg of piles a day predicted over piles summed"
    )


def abatement_contrast(
    pairs: pd.DataFrame, counted: pd.DataFrame, campaign: Campaign, reference_range_m: float
) -> Contrast | None:
    """What an abatement state adds to the bias, against pairs without abatement of the same method and kind.

    One mixed model of both, in which places and chains are the same: their errors fall out of the abatement's part.
    None where the pairs are without abatement, or no like pair is.
    """
    first = pairs.iloc[0]
    if first["abatement"] == "none":
        return None
    alike = counted["abatement"] == "none"
    for name in _KEYS:
        alike &= counted[name].isna() if pd.isna(first[name]) else counted[name] == first[name]
    both = pd.concat([counted[alike], pairs])
    both = both[both["acoustic_bias_db"].notna()]
    if not alike.any() or both["abatement"].nunique() < 2:
        return None
    ranges = both["range_m"].to_numpy(np.float64)
    abated = (both["abatement"] != "none").to_numpy(np.float64)
    X = np.stack([np.ones(ranges.size), abated, np.log10(ranges / reference_range_m)], axis=1)
    if np.linalg.matrix_rank(X) < 3 or ranges.size <= 3:
        X = X[:, :2]
    if ranges.size <= X.shape[1]:
        return None
    fit = fit_linear(both["acoustic_bias_db"].to_numpy(np.float64), X, pair_structure(both, campaign))
    row = np.zeros(X.shape[1])
    row[1] = 1.0
    one = np.zeros(X.shape[1])
    one[0] = 1.0
    return Contrast(fit.contrast(row), fit.contrast(one, campaign.common_uncertainty_db**2))


def _abatement(pairs: pd.DataFrame, contrast: Contrast | None) -> SplitPart:
    if contrast is not None:
        found = contrast.abatement
        statistic = "bias with abatement less bias without, one mixed model of both at the same places"
        return _told("abatement", "abatement", found.value, found.standard_error, found.interval(), statistic)
    if pairs["abatement"].iloc[0] == "none":
        return _untold("abatement", "abatement", "the piles were driven without abatement")
    reason = "no pile without abatement meets a prediction of the same kind: it is inside the source's part"
    return _untold("abatement", "abatement", reason)


def _source(fit: BiasFit, contrast: Contrast | None) -> SplitPart:
    whole = fit.at_reference
    if contrast is None:
        return _told("source", "source", whole.value, whole.standard_error, whole.interval(), _OFFSET)
    value = whole.value - contrast.abatement.value
    about = Estimate(value, contrast.source.variance, contrast.source.degrees_of_freedom)
    return _told("source", "source", value, about.standard_error, about.interval(), f"{_OFFSET}, without the abatement")


def _propagation(pairs: pd.DataFrame, fit: BiasFit) -> SplitPart:
    change = fit.change(fit.reference_range_m, far_range_m(pairs, fit.reference_range_m))
    if change is None:
        return _untold("propagation", "propagation", "the ranges are too few or too alike for a slope")
    return _told("propagation", "propagation", change.value, change.standard_error, change.interval(), _SLOPE)
