"""How far above its background a band of a strike must stand to be a measurement and not a limit.

The energy of a background in a band of width B over a window of length W is that of some BW independent numbers
(twice as many degrees of freedom): where these are few it exceeds its mean by far more than 3 dB by chance. There the
margin is such that a background alone reaches it once in a hundred: by the quantile of F for the window's degrees of
freedom over those of the background's estimate.
"""

from __future__ import annotations

from functools import cache

from reconcile.vocabulary.decidecades import edges_hz
from reconcile.vocabulary.quantities import level_db

WINDOW_S, DURATION_S = 0.3, 0.1  # an interval and a 5-95 % duration that are usual
QUIET_S = 0.2
FEW = 3.0  # independent numbers in a window; with more the 3 dB of the censoring rule are enough
POOLED = 21  # strikes over which the background of such a band is averaged
_BY_CHANCE = 0.01


def has_few_numbers(band: int) -> bool:
    """Whether a band is so narrow that a window holds less than three independent numbers of it (40 Hz and below)."""
    return _width_hz(band) * WINDOW_S < FEW


@cache
def margin_db(band: int, below_db: float) -> float:
    """Signal to noise (dB) below which the level of a strike in a band is a limit: `below_db`, more in narrow bands."""
    if not has_few_numbers(band):
        return below_db
    from scipy.special import fdtri

    width = _width_hz(band)
    quantile = fdtri(2.0 * width * WINDOW_S, 2.0 * width * QUIET_S * POOLED, 1.0 - _BY_CHANCE)
    return max(below_db, float(level_db((quantile - 1.0) * WINDOW_S / DURATION_S)))


def _width_hz(band: int) -> float:
    low, high = edges_hz((band,))
    return float(high - low)
