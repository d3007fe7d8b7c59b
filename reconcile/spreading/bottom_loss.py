"""What a fitted damped cylindrical law says of the bottom: the loss of one reflection, for an assumed Mach angle."""

from __future__ import annotations

import math

from reconcile.spreading.laws import Law
from reconcile.spreading.models import bottom_loss_of_attenuation, bounce_distance_m, mach_angle_deg
from reconcile.spreading.subject import Subject
from reconcile.vocabulary.documents.fit import BottomLoss, Coefficient

STEEL_WAVE_SPEED_M_S = 5000.0  # assumed, of the wave down the pile: 17.5 degrees in water of 1500 m/s


def bottom_loss(law: Law, subject: Subject, attenuation_variance: float) -> BottomLoss | None:
    """The reading of a damped cylindrical law of exposure; None for others, and where the water depth is not known.

    A band's attenuation is read without what sea water absorbs.
    """
    depth_m, speed_m_s = subject.water_depth_m, subject.sound_speed_m_s
    read = law.model == "damped_cylindrical" and subject.quantity == "exposure_level"
    if not read or depth_m is None or speed_m_s is None:
        return None
    angle = mach_angle_deg(speed_m_s, STEEL_WAVE_SPEED_M_S)
    loss_db = bottom_loss_of_attenuation(law.attenuation_db_per_km, depth_m, angle)
    error_db = bottom_loss_of_attenuation(math.sqrt(attenuation_variance), depth_m, angle)
    return BottomLoss(
        loss_db=Coefficient(value=loss_db, standard_error=error_db),
        water_depth_m=depth_m,
        mach_angle_deg=angle,
        sound_speed_water_m_s=speed_m_s,
        wave_speed_pile_m_s=STEEL_WAVE_SPEED_M_S,
        cycle_distance_m=bounce_distance_m(depth_m, angle),
    )
