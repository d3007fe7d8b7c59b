"""Parts of an entry of `fit.json` that say what a fit rests on: intervals, covariates, sea water, single places."""

from __future__ import annotations

from typing import Literal

from reconcile.vocabulary.documents.document import Document


class Coefficient(Document):
    """A coefficient and its standard error; 0 for one that is fixed."""

    value: float
    standard_error: float


class IntervalBasis(Document):
    """How the intervals of a fit came about.

    `satterthwaite`: Student's t with degrees of freedom from how well the variances are known. `bootstrap`: these
    intervals, wider by a factor that makes them hold in 95 % of `n_replicates` campaigns drawn from the fit, limits
    included, and fitted again; it is never below 1. `factors` belong to the curve at `range_m`, linear in the logarithm
    of range between and held beyond; `coefficient_factors` to the coefficients. `seed` follows from the data.
    """

    method: Literal["satterthwaite", "bootstrap"]
    reason: str
    n_replicates: int = 0
    seed: int | None = None
    range_m: tuple[float, ...] = ()
    factors: tuple[float, ...] = ()
    coefficient_factors: dict[str, float] = {}  # noqa: RUF012


class Covariate(Document):
    """Something beside range on which the level may depend; the curve is at `reference`.

    `coefficient` names its coefficient among those of the fit, None where the data do not carry one: `reason` then says
    why not, else what it rests on. The prior is about zero, with `prior_sd` in the coefficient's unit.
    """

    name: Literal["pile_diameter_m", "hydrophone_depth_m", "penetration_m"]
    coefficient: str | None
    reference: float | None
    prior_sd: float
    reason: str


class SeaWater(Document):
    """The water for which absorption was taken, by Francois and Garrison (1982); `stated` names what the campaign says.

    The rest is assumed. Depth is half of the site's, or zero.
    """

    temperature_c: float
    salinity: float
    acidity_ph: float
    depth_m: float
    stated: tuple[str, ...] = ()


class BottomLoss(Document):
    """What the attenuation of damped cylindrical spreading says of the bottom: dB lost at each reflection.

    One reflection per cycle distance 2H/tan(theta) of the Mach wave, in water of one depth H. The angle is not
    measured: it is that of the sound speeds in the water and, assumed, in the pile. What sea water absorbs is left out.
    """

    loss_db: Coefficient
    water_depth_m: float
    mach_angle_deg: float
    sound_speed_water_m_s: float
    wave_speed_pile_m_s: float
    cycle_distance_m: float


class Influence(Document):
    """What leaving one place out does to a fit: without it less with it, the variances held.

    `coefficients` holds the changes by the names of the coefficients that were fitted. `decides`: the curve without the
    place leaves the interval of the curve with it at the range of some place.
    """

    mooring_id: str
    coefficients: dict[str, float]
    decides: bool
