"""`fit.json`: level against range, one entry for each quantity, weighting, band, group and model.

L(R) = L_ref - N·log10(R/R_ref) - alpha·(R - R_ref)/1000
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, SerializerFunctionWrapHandler, model_serializer

from reconcile.vocabulary.documents.document import Document
from reconcile.vocabulary.documents.fit_parts import (
    BottomLoss,
    Coefficient,
    Covariate,
    Influence,
    IntervalBasis,
    SeaWater,
)

__all__ = [
    "BottomLoss",
    "Coefficient",
    "Covariance",
    "Covariate",
    "Fit",
    "FitCoefficients",
    "FitDocument",
    "Influence",
    "IntervalBasis",
    "Matrix",
    "ModelName",
    "NotFitted",
    "RecomposedLevel",
    "SeaWater",
    "SmallSample",
    "ThresholdRange",
    "group_key",
]

ModelName = Literal["spreading", "spreading_attenuation", "damped_cylindrical", "two_regime"]
Matrix = tuple[tuple[float, ...], ...]


class Covariance(Document):
    """Covariance of coefficients, in the order of `names`; zeros for fixed ones."""

    names: tuple[str, ...]
    matrix: Matrix


class SmallSample(Document):
    """What intervals need to know how well the variances are known (Satterthwaite's degrees of freedom).

    `gradients[k]` is the derivative of the covariance of (level at reference, spreading coefficient, attenuation; in
    the two-regime law further spreading and transition too) by the variance of `components[k]`; `covariance` is the
    covariance of those variances.
    """

    components: tuple[str, ...]
    gradients: tuple[Matrix, ...]
    covariance: Matrix


class FitCoefficients(Document):
    """The coefficients of a fit. `energy_coefficient_db_per_decade` is on log10 of the strike energy.

    Of the two-regime law, `spreading_coefficient_db_per_decade` holds up to the transition, whose log10 of range in
    metres is `transition_log10_range`; beyond it `further_spreading_db_per_decade` is added. Absent in other models.
    Those of covariates are there where the data carry them: the level rises by so much per decade of pile diameter, or
    metre of hydrophone depth or of penetration, beyond the reference in `covariates`.
    """

    level_at_reference_db: Coefficient
    spreading_coefficient_db_per_decade: Coefficient
    attenuation_db_per_km: Coefficient
    energy_coefficient_db_per_decade: Coefficient
    further_spreading_db_per_decade: Coefficient | None = None
    transition_log10_range: Coefficient | None = None
    pile_diameter_coefficient_db_per_decade: Coefficient | None = None
    hydrophone_depth_coefficient_db_per_m: Coefficient | None = None
    penetration_coefficient_db_per_m: Coefficient | None = None

    @model_serializer(mode="wrap")
    def _without_those_of_other_models(self, written: SerializerFunctionWrapHandler) -> dict[str, object]:
        return {name: value for name, value in written(self).items() if value is not None}


class ThresholdRange(Document):
    """Distance at which a fitted curve falls to a threshold; null where it is not reached or not bounded.

    `quantity` is the threshold's own: that of the fit, or cumulative_exposure_level for `n_strikes` strikes.
    `statistic` and `energy_kj` say which strike the curve was raised to before it was solved, `pile_diameter_m` which
    pile (null: the reference's). `less_than_m` is given
    where the curve meets the threshold nearer than the nearest station or three water depths: the distance is less than
    this, and no more is known. `models` are those whose envelope the interval is.
    """

    threshold_db: float
    range_m: float | None
    interval_m: tuple[float | None, float | None]
    extrapolated: bool
    quantity: str | None = None
    statistic: str | None = None
    n_strikes: int | None = None
    energy_kj: float | None = None
    pile_diameter_m: float | None = None
    less_than_m: float | None = None
    models: tuple[ModelName, ...] = ()


class RecomposedLevel(Document):
    """The sum of the selected bands' curves at a range, and what it lies above the direct broadband fit."""

    range_m: float
    level_db: float
    difference_db: float


class Fit(Document):
    """One model fitted to the pile-station means of one quantity, weighting, band and group.

    `residual_sd_db` is that of pile-station means about curve, pile and place; `strike_sd_db` is the spread of single
    strikes within a pile and station at one energy, `strike_sd_as_recorded_db` with their energies as they were, and
    `level_as_recorded_offset_db` is mean level as recorded less mean level at the reference energy. `system_sd_db` is
    the certificates'. `n_strikes` counts the strikes used, the `n_censored` of which only a limit is known included;
    the range runs over the cells in which something was heard. `left_out_station_db` and `left_out_pile_db` are the
    root mean square errors with which stations (without labels: rows) and piles left out in turn are foretold; null
    where too little is left. `absorption_db_per_km` is the part of the attenuation that is sea water's and fixed.
    `coefficient_intervals_95` hold, in the selected fit, the choice between models: they reach as far as those of the
    fullest model that the ranges can identify, with no negative attenuation.
    """

    quantity: str | None
    weighting: str
    band_hz: float | None
    installation_method: str | None
    foundation_type: str | None
    abatement: str | None
    pooled: bool = False
    model: ModelName
    selected: bool
    reference_range_m: float
    coefficients: FitCoefficients
    covariance: Covariance
    residual_sd_db: float
    pile_sd_db: float
    system_sd_db: float
    station_sd_db: float
    reference_energy_kj: float | None
    n_observations: int
    n_censored: int
    n_piles: int
    n_stations: int
    range_min_m: float
    range_max_m: float
    threshold_ranges: tuple[ThresholdRange, ...] = ()
    flags: tuple[str, ...] = ()
    n_strikes: int
    common_uncertainty_db: float = 0.0
    strike_sd_db: float | None = None
    strike_sd_as_recorded_db: float | None = None
    level_as_recorded_offset_db: float = 0.0
    aicc: float | None = None
    left_out_station_db: float | None = None
    left_out_pile_db: float | None = None
    absorption_db_per_km: float = 0.0
    water_depth_m: float | None = None
    coefficient_intervals_95: dict[str, tuple[float, float]] = Field(default_factory=dict)
    recomposed: tuple[RecomposedLevel, ...] = ()
    chosen_because: str | None = None
    not_chosen_because: str | None = None
    small_sample: SmallSample
    intervals_by: IntervalBasis | None = None
    covariates: tuple[Covariate, ...] = ()
    sea_water: SeaWater | None = None
    bottom_loss: BottomLoss | None = None
    influence: tuple[Influence, ...] = ()


class NotFitted(Document):
    """A quantity and group for which no model could be fitted, and why."""

    quantity: str | None
    weighting: str
    band_hz: float | None
    installation_method: str | None
    foundation_type: str | None
    abatement: str | None
    reason: str


class FitDocument(Document):
    """`fit.json`. `robust`: a Student t residual was asked for."""

    format_version: Literal[1] = 1
    robust: bool = False
    fits: tuple[Fit, ...]
    not_fitted: tuple[NotFitted, ...] = ()

    def selected(
        self,
        quantity: str,
        weighting: str,
        band_hz: float | None,
        installation_method: str,
        foundation_type: str,
        abatement: str,
    ) -> Fit | None:
        """The selected fit of a quantity and group, or None."""
        key = (quantity, weighting, band_hz, installation_method, foundation_type, abatement)
        return next((fit for fit in self.fits if fit.selected and group_key(fit) == key), None)


def group_key(fit: Fit) -> tuple[str | None, str, float | None, str | None, str | None, str | None]:
    """What a fit is of: quantity, weighting, band, installation method, foundation type, abatement."""
    return (
        fit.quantity,
        fit.weighting,
        fit.band_hz,
        fit.installation_method,
        fit.foundation_type,
        fit.abatement,
    )
