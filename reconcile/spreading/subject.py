"""What is being fitted."""

from __future__ import annotations

from dataclasses import dataclass

from reconcile.vocabulary.documents.fit import NotFitted, SeaWater


@dataclass(frozen=True, slots=True)
class Subject:
    """What is being fitted, and what is known of it beside the levels.

    `absorption_db_per_km` is that of `sea_water` at the band's centre; 0 for broadband levels. `robust` asks for
    a Student t residual in place of a normal one. `sound_speed_m_s` is that of the water.
    """

    quantity: str | None
    weighting: str = "none"
    band_hz: float | None = None
    installation_method: str | None = None
    foundation_type: str | None = None
    abatement: str | None = None
    reference_range_m: float = 750.0
    common_uncertainty_db: float = 0.0
    absorption_db_per_km: float = 0.0
    water_depth_m: float | None = None
    robust: bool = False
    sea_water: SeaWater | None = None
    sound_speed_m_s: float | None = None


def not_fitted(subject: Subject, reason: str) -> NotFitted:
    """The record of a quantity and group without a fit, and why."""
    return NotFitted(
        quantity=subject.quantity,
        weighting=subject.weighting,
        band_hz=subject.band_hz,
        installation_method=subject.installation_method,
        foundation_type=subject.foundation_type,
        abatement=subject.abatement,
        reason=reason,
    )
