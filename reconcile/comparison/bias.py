"""bias.json: the bias of each prediction, the finding, and predicted against measured distances."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from reconcile.comparison.bias_model import BiasFit, fit_bias
from reconcile.comparison.threshold_distances import threshold_comparisons
from reconcile.inference import Estimate
from reconcile.vocabulary.documents.bias import Bias, BiasDocument, Finding
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.fit import Coefficient, FitDocument

GROUPED_BY = (
    "model_id",
    "quantity",
    "weighting",
    "band_hz",
    "statistic",
    "installation_method",
    "foundation_type",
    "abatement",
)
_DEFAULT_REFERENCE_M = 750.0
_LEAST_PAIRS = 3
_FEW_PILES, _FEW_PLACES = 10, 4


def bias_document(comparison: pd.DataFrame, fit: FitDocument, campaign: Campaign) -> BiasDocument:
    """The bias of every prediction that has a counted pair, at the fits' reference range.

    Prediction models, quantities, statistics, methods, foundation types and abatement states are never mixed.
    """
    reference = fit.fits[0].reference_range_m if fit.fits else _DEFAULT_REFERENCE_M
    biases = [
        _bias(str(prediction_id), pairs, campaign, reference)
        for prediction_id, counted in comparison[comparison["counted"]].groupby("prediction_id", sort=False)
        for pairs in pair_groups(counted)
    ]
    return BiasDocument(biases=tuple(biases), threshold_ranges=tuple(threshold_comparisons(fit, campaign)))


def pair_groups(counted: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """Counted pairs that may be taken together: of one model, quantity, statistic and group of piles."""
    for _, pairs in counted.groupby(list(GROUPED_BY), dropna=False, sort=False):
        yield pairs


def pair_flags(pairs: pd.DataFrame, fit: BiasFit) -> list[str]:
    """Flags of a bias or correction: of its model, and those that any of its pairs carry."""
    ranges = pairs["range_m"]
    stated = {
        "trend_not_estimated": fit.slope is None,
        "extrapolated": not ranges.min() <= fit.reference_range_m <= ranges.max(),
        "few_piles": pairs["pile_id"].nunique() < _FEW_PILES,
        "few_stations": pairs["station_id"].nunique() < _FEW_PLACES,
    }
    of_pairs = sorted({str(flag) for flags in pairs["flags"] for flag in flags})
    return [name for name, true in stated.items() if true] + of_pairs


def finding(at_reference: Estimate, n_pairs: int, margin_db: float) -> tuple[Finding, bool]:
    """The finding by the contract's rule, and whether an interval that excludes 0 lies within the margin.

    `overpredicts` or `underpredicts` where the 95 % interval of the bias at the reference range excludes 0;
    `no_bias_found` where the 90 % interval lies within the margin; else, or with fewer than three pairs,
    `too_little_data`.
    """
    low, high = at_reference.interval(0.95)
    if n_pairs < _LEAST_PAIRS:
        return "too_little_data", False
    if low > 0 or high < 0:
        return ("overpredicts" if low > 0 else "underpredicts"), -margin_db <= low and high <= margin_db
    low, high = at_reference.interval(0.90)
    return ("no_bias_found" if -margin_db <= low and high <= margin_db else "too_little_data"), False


def _bias(prediction_id: str, pairs: pd.DataFrame, campaign: Campaign, reference_range_m: float) -> Bias:
    fit = fit_bias(pairs, campaign, reference_range_m)
    margin = campaign.settings.equivalence_margin_db
    found, within = finding(fit.at_reference, len(pairs), margin)
    first = pairs.iloc[0]
    flags = (["within_margin"] if within else []) + pair_flags(pairs, fit)
    return Bias(
        prediction_id=prediction_id,
        quantity=first["quantity"],
        weighting=first["weighting"],
        band_hz=optional_number(first["band_hz"]),
        n_piles=pairs["pile_id"].nunique(),
        n_stations=pairs["station_id"].nunique(),
        mean_bias_db=fit.mean.value,
        standard_uncertainty_db=fit.mean.standard_error,
        interval_95_db=fit.mean.interval(),
        model_id=first["model_id"],
        installation_method=first["installation_method"],
        foundation_type=first["foundation_type"],
        abatement=first["abatement"],
        reference_range_m=reference_range_m,
        bias_at_reference_db=fit.at_reference.value,
        bias_at_reference_interval_95_db=fit.at_reference.interval(),
        spreading_bias_db_per_decade=fit.spreading,
        attenuation_bias_db_per_km=Coefficient(value=0.0, standard_error=0.0),
        covariance=fit.covariance,
        spread_between_piles_db=fit.spread_db("pile"),
        finding=found,
        flags=tuple(flags),
        statistic=optional_text(first["statistic"]),
        n_pairs=len(pairs),
        n_carried=_count_flag(pairs["flags"].tolist(), "carried"),
        bias_at_reference_interval_90_db=fit.at_reference.interval(0.90),
        spreading_bias_interval_95_db=fit.slope.interval() if fit.slope else None,
        equivalence_margin_db=margin,
        common_uncertainty_db=campaign.common_uncertainty_db,
        residual_sd_db=fit.spread_db("residual"),
        station_sd_db=fit.spread_db("place"),
        range_min_m=float(pairs["range_m"].min()),
        range_max_m=float(pairs["range_m"].max()),
        small_sample=fit.small_sample,
    )


def optional_number(value: float) -> float | None:
    """A cell of a table as a document has it: null for NaN."""
    return None if pd.isna(value) else float(value)


def optional_text(value: object) -> str | None:
    """A cell of a table as a document has it: null for a missing text."""
    return value if isinstance(value, str) else None


def _count_flag(flags: Sequence[Sequence[str]], name: str) -> int:
    return sum(name in each for each in flags)
