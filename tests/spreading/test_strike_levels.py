"""Bounds of the levels of strikes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.spreading.strike_levels import RMS_NEEDS_SNR_DB, LevelKey, read_levels
from reconcile.strikes.strike_rows import SHAPE_NEEDS_SNR_DB


def test_rms_is_limited_by_the_signal_to_noise_below_which_it_is_not_given() -> None:
    assert RMS_NEEDS_SNR_DB == SHAPE_NEEDS_SNR_DB
    strikes = pd.DataFrame({"rms_level_db": [150.0, np.nan, np.nan], "noise_level_db": [120.0, 120.0, np.nan]})
    levels = read_levels(strikes, LevelKey("rms_level"), 3.0)
    assert levels is not None
    # energy less than 4 times (6 dB) the background's over the duration, 0.9 of it in the duration: 0.9·3.981 = 5.54 dB
    assert levels.highest_db == pytest.approx([150.0, 125.54, np.inf], abs=0.005)
    assert levels.lowest_db == pytest.approx([150.0, -np.inf, -np.inf])
