"""bias.json: the bias of each prediction, the finding, and predicted against measured distances."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from reconcile.comparison.band_shape import band_shapes
from reconcile.comparison.bias_model import BiasFit, fit_bias
from reconcile.comparison.claimed import claimed_uncertainty
from reconcile.comparison.reading import Case, band_statements, statements
from reconcile.comparison.split import far_range_m, split_parts
from reconcile.comparison.threshold_distances import threshold_comparisons
from reconcile.comparison.trends import energy_coefficient_error, per_kilometre
from reconcile.inference import Estimate
from reconcile.vocabulary.documents.bias import Bias, BiasDocument, Finding
from reconcile.vocabulary.documents.bias_parts import EnergyCoefficientError, Split
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
    "receiver",
)
_DEFAULT_REFERENCE_M = 750.0
_CUMULATIVE = "cumulative_exposure_level"
_LEAST_PAIRS = 3
_FEW_PILES, _FEW_PLACES = 10, 4


def bias_document(comparison: pd.DataFrame, fit: FitDocument, campaign: Campaign) -> BiasDocument:
    """The bias of every prediction that has a counted pair, at the fits' reference range, and what it is made of.

    Prediction models, quantities, statistics, methods, foundation types, abatement states and unlike receivers are
    never mixed.
    """
    reference = fit.fits[0].reference_range_m if fit.fits else _DEFAULT_REFERENCE_M
    counted = comparison[comparison["counted"]]
    energies = _EnergyErrors(counted, campaign, reference)
    found = [
        _bias_and_split(str(prediction_id), pairs, counted, campaign, energies)
        for prediction_id, own in counted.groupby("prediction_id", sort=False)
        for pairs in pair_groups(own)
    ]
    shapes = [shape.model_copy(update={"reading": band_statements(shape)}) for shape in band_shapes(counted, reference)]
    return BiasDocument(
        biases=tuple(bias for bias, _ in found),
        threshold_ranges=tuple(threshold_comparisons(fit, campaign)),
        splits=tuple(split for _, split in found),
        band_shapes=tuple(shapes),
    )


@dataclass(frozen=True, slots=True)
class _EnergyErrors:
    """Errors of energy coefficients, each over all predictions of one method and group."""

    counted: pd.DataFrame
    campaign: Campaign
    reference_range_m: float
    found: dict[tuple[object, ...], EnergyCoefficientError | None] = field(default_factory=dict)

    def of(self, pairs: pd.DataFrame) -> EnergyCoefficientError | None:
        key = tuple(None if pd.isna(pairs[name].iloc[0]) else pairs[name].iloc[0] for name in GROUPED_BY)
        if key not in self.found:
            alike = np.ones(len(self.counted), dtype=bool)
            for name, value in zip(GROUPED_BY, key, strict=True):
                column = self.counted[name]
                alike &= (column.isna() if value is None else column == value).to_numpy(dtype=bool)
            own = self.counted[alike & self.counted["acoustic_bias_db"].notna().to_numpy(dtype=bool)]
            few = own.empty or own["acoustic_bias_db"].isna().any()
            self.found[key] = None if few else energy_coefficient_error(own, self.campaign, self.reference_range_m)
        return self.found[key]


def correction_groups(counted: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """Counted pairs that a correction is made of: their acoustic part must be known.

    Pairs of an unlike receiver (another depth, a maximum over depth) make one only where there are no like ones, and
    then those of the receiver with the most pairs.
    """
    known = counted[counted["acoustic_bias_db"].notna()]
    keys = [name for name in GROUPED_BY if name != "receiver"]
    for _, pairs in known.groupby(keys, dropna=False, sort=False):
        like = pairs["receiver"].isna()
        most = pairs["receiver"].value_counts()
        yield pairs[like] if like.any() else pairs[pairs["receiver"] == most.index[0]]


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


def _bias_and_split(
    prediction_id: str, pairs: pd.DataFrame, counted: pd.DataFrame, campaign: Campaign, energies: _EnergyErrors
) -> tuple[Bias, Split]:
    reference = energies.reference_range_m
    fit = fit_bias(pairs, campaign, reference)
    bias = _bias(prediction_id, pairs, campaign, fit).model_copy(
        update={"energy_coefficient_error": energies.of(pairs)}
    )
    acoustic = pairs["acoustic_bias_db"].notna().all()
    column = "acoustic_bias_db" if acoustic else "bias_db"
    of_acoustics = fit if bias.quantity != _CUMULATIVE else fit_bias(pairs, campaign, reference, column)
    parts = split_parts(pairs, of_acoustics, counted, campaign)
    return bias, _split(Case(bias, of_acoustics, pairs, parts))


def _split(case: Case) -> Split:
    bias, fit = case.bias, case.fit
    far_m = far_range_m(case.pairs, fit.reference_range_m)
    acoustic, at_reference = fit.at(far_m), fit.at_reference
    hammer = sum(part.value_db or 0.0 for part in case.parts if part.cause == "operations")
    keys = {name: getattr(bias, name) for name in ("prediction_id", *GROUPED_BY)}
    return Split(
        **keys,
        reference_range_m=fit.reference_range_m,
        at_range_m=far_m,
        total_db=acoustic.value + hammer,
        total_at_reference_db=at_reference.value + hammer,
        acoustic_db=acoustic.value,
        acoustic_interval_95_db=acoustic.interval(),
        acoustic_at_reference_db=at_reference.value,
        acoustic_at_reference_interval_95_db=at_reference.interval(),
        new_place_interval_95_db=fit.new_place(far_m).interval(),
        parts=tuple(case.parts),
        reading=statements(case),
    )


def _bias(prediction_id: str, pairs: pd.DataFrame, campaign: Campaign, fit: BiasFit) -> Bias:
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
        reference_range_m=fit.reference_range_m,
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
        receiver=optional_text(first["receiver"]),
        new_place_interval_95_db=fit.new_place(fit.reference_range_m).interval(),
        per_km=per_kilometre(pairs, campaign, fit.reference_range_m, "bias_db"),
        claimed_uncertainty=claimed_uncertainty(pairs, fit),
    )


def optional_number(value: float) -> float | None:
    """A cell of a table as a document has it: null for NaN."""
    return None if pd.isna(value) else float(value)


def optional_text(value: object) -> str | None:
    """A cell of a table as a document has it: null for a missing text."""
    return value if isinstance(value, str) else None


def _count_flag(flags: Sequence[Sequence[str]], name: str) -> int:
    return sum(name in each for each in flags)
