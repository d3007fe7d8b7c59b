"""Intervals between strikes, against times written down by hand."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.strikes.strike_intervals import RESTART_S, since_previous_s


def test_intervals_of_two_piles_at_two_stations() -> None:
    """Rows in no order; two piles struck in turn; a pause of 31 s; a strike of no pile."""
    rows = [
        ("P1", "A", 0.0, np.nan),
        ("P1", "B", 0.5, np.nan),
        ("P2", "A", 1.0, np.nan),
        ("P1", "A", 2.0, 2.0),
        ("P1", "B", 2.6, 2.1),
        (None, "A", 2.7, np.nan),
        ("P2", "A", 4.0, 3.0),
        (None, "A", 4.1, np.nan),
        ("P1", "A", 33.0, np.nan),
        ("P1", "A", 63.0, RESTART_S),
    ]
    mixed = [rows[i] for i in (7, 0, 9, 3, 5, 1, 8, 2, 6, 4)]
    pile, station, time_s, expected = (list(column) for column in zip(*mixed, strict=True))
    found = since_previous_s(
        np.array(pile, dtype=object),
        np.array(station, dtype=object),
        np.round(np.array(time_s) * 1e6).astype(np.int64),
    )
    assert found == pytest.approx(np.array(expected), nan_ok=True)


def test_no_rows() -> None:
    none = np.array([], dtype=object)
    assert since_previous_s(none, none, np.array([], dtype=np.int64)).shape == (0,)
