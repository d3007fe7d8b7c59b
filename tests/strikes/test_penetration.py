"""Penetration of strikes by the blows that they were matched with."""

from __future__ import annotations

import numpy as np
import pandas as pd

from reconcile.campaign.blows import HammerLog
from reconcile.strikes.penetration import with_penetration

STRIKES = pd.DataFrame(
    {"pile_id": ["B", "A", "A", None, "A"], "blow_number": pd.array([1, 2, None, None, 9], dtype="Int32")}
)


def test_it_is_that_of_the_blow_of_the_same_pile() -> None:
    times = np.array(["2026-05-01", "2026-05-02", "2026-05-03"], dtype="datetime64[us]")
    log = HammerLog(
        np.array(["A", "A", "B"]), np.array([1, 2, 1], dtype=np.int32), times, np.ones(3), np.array([4.0, 4.5, np.nan])
    )
    found = with_penetration(STRIKES, log)["penetration_m"].to_numpy()
    assert found[1] == 4.5
    assert np.isnan(found[[0, 2, 3, 4]]).all()


def test_without_a_log_nothing_is_known() -> None:
    assert with_penetration(STRIKES, None)["penetration_m"].isna().all()
