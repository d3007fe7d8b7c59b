"""`bias.json`: how far predictions were from the sea. A bias is always predicted minus measured.

bias(R) = bias_at_reference + spreading_bias·log10(R/R_ref) + attenuation_bias·(R - R_ref)/1000
"""

from __future__ import annotations

from typing import Literal

from reconcile.vocabulary.documents.bias_parts import (
    BandShape,
    ClaimedUncertainty,
    EnergyCoefficientError,
    PerKilometre,
    Split,
)
from reconcile.vocabulary.documents.document import Document
from reconcile.vocabulary.documents.fit import Coefficient, Covariance, SmallSample

Finding = Literal["overpredicts", "underpredicts", "no_bias_found", "too_little_data"]
Interval = tuple[float, float]


class Bias(Document):
    """The bias of one prediction for one quantity, weighting, band, statistic and group of piles.

    `mean_bias_db` is the plain mean over the counted pairs; its standard uncertainty and interval, like all others,
    come from the mixed model (piles, places, chains, what all chains share). `receiver` is what a prediction was for
    where the hydrophones lay at other depths, else null: such pairs are never taken together with like ones.
    """

    prediction_id: str
    quantity: str
    weighting: str
    band_hz: float | None
    n_piles: int
    n_stations: int
    mean_bias_db: float
    standard_uncertainty_db: float
    interval_95_db: Interval
    model_id: str
    installation_method: str
    foundation_type: str
    abatement: str
    reference_range_m: float
    bias_at_reference_db: float
    bias_at_reference_interval_95_db: Interval
    spreading_bias_db_per_decade: Coefficient
    attenuation_bias_db_per_km: Coefficient
    covariance: Covariance
    spread_between_piles_db: float
    finding: Finding
    flags: tuple[str, ...] = ()
    statistic: str | None = None
    n_pairs: int
    n_carried: int = 0
    bias_at_reference_interval_90_db: Interval
    spreading_bias_interval_95_db: Interval | None = None  # None where no slope was estimated
    equivalence_margin_db: float
    common_uncertainty_db: float
    residual_sd_db: float
    station_sd_db: float
    range_min_m: float
    range_max_m: float
    small_sample: SmallSample
    receiver: str | None = None
    new_place_interval_95_db: Interval | None = None  # at the reference range, for a new pile at a new place
    per_km: PerKilometre | None = None
    energy_coefficient_error: EnergyCoefficientError | None = None
    claimed_uncertainty: ClaimedUncertainty | None = None


class ThresholdComparison(Document):
    """A predicted distance to a level beside the measured one; `measured_m` is null where `reason` says why.

    Areas are those of circles with these distances. `probability_exceeded` is that of the true mean level lying above
    the threshold at the predicted distance (so that the true distance is greater), `probability_exceeded_new_pile` the
    same for a new pile at a new place. `measured_r95_m` is the distance that 95 % of places do not exceed.
    """

    prediction_id: str
    quantity: str
    weighting: str
    threshold_db: float
    predicted_m: float
    measured_m: float | None
    interval_m: tuple[float | None, float | None]
    extrapolated: bool
    model_id: str = "unnamed"
    installation_method: str | None = None
    foundation_type: str | None = None
    abatement: str | None = None
    statistic: str | None = None
    range_statistic: str | None = None
    n_strikes: int | None = None
    energy_kj: float | None = None
    fit_model: str | None = None
    flags: tuple[str, ...] = ()
    reason: str | None = None
    predicted_area_km2: float | None = None
    measured_area_km2: float | None = None
    area_interval_km2: tuple[float | None, float | None] = (None, None)
    probability_exceeded: float | None = None
    probability_exceeded_new_pile: float | None = None
    measured_r95_m: float | None = None


class BiasDocument(Document):
    """`bias.json`. `splits` has an entry for each bias, `band_shapes` one where three bands or more were predicted."""

    format_version: Literal[1] = 1
    biases: tuple[Bias, ...]
    threshold_ranges: tuple[ThresholdComparison, ...] = ()
    splits: tuple[Split, ...] = ()
    band_shapes: tuple[BandShape, ...] = ()
