"""Envelopes against a second, slow route: each column's least, mean and largest straight from the milliseconds."""

from __future__ import annotations

import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from reconcile.recordings.clock import StationClock
from reconcile.recordings.streams import Channel, Stream
from reconcile.review.envelopes import LEVEL_TICKS, PART_TICKS, Envelopes, StationEnvelopes, envelope
from reconcile.strikes.second_look import Listener
from reconcile.strikes.stream_analysis import PART_CELLS

RATE_HZ, START_US = 1000, 1_746_086_400_000_000


def listener(ticks: np.ndarray, parts: list[int]) -> Listener:
    """A stream of milliseconds that are known, of which some parts are kept."""
    channel = Channel("A", "H", 0, 1.0, 10.0, 400.0, StationClock(START_US, 0.0, 0.0))
    segment = SimpleNamespace(at=0, n_frames=len(ticks), first_frame=0, recording=None)
    stream = Stream(cast(Any, (segment,)), RATE_HZ, START_US, (channel,))

    def held(first: int) -> Any:
        return lambda: (ticks[first * 1000 : first * 1000 + PART_TICKS], np.zeros((5, 0), dtype=np.float32))

    return Listener(stream, channel, {first: held(first) for first in parts})


def opened(folder: Path, ticks: np.ndarray, parts: list[int]) -> Envelopes:
    return Envelopes([StationEnvelopes(listener(ticks, parts), {p: folder / f"{p}.envelope.npy" for p in parts})])


@pytest.fixture(scope="module")
def ticks() -> np.ndarray:
    """Two parts and a half."""
    rng = np.random.default_rng(12)
    return (rng.exponential(1.0, round(2.5 * PART_TICKS)) + 1e-3).astype(np.float32)


def test_levels_of_a_part(ticks: np.ndarray) -> None:
    found = envelope(ticks[:PART_TICKS], PART_TICKS)
    at = 0
    for length in LEVEL_TICKS:
        n = PART_TICKS // length
        rows = ticks[:PART_TICKS].reshape(n, length).astype(np.float64)
        expected = np.stack([rows.min(axis=1), rows.mean(axis=1), rows.max(axis=1)])
        np.testing.assert_allclose(found[:, at : at + n], expected, rtol=1e-6)
        at += n
    assert found.shape[1] == at


@pytest.mark.parametrize(
    ("from_s", "to_s", "n"),
    [
        (0.0, 2400.0, 1200),
        (-100.0, 2600.0, 700),
        (950.0, 970.0, 333),
        (100.0, 100.5, 1000),
        (12.3456, 1700.0, 64),
        (0.0, 2400.0, 2),
        (959.9, 960.1, 10),
    ],
)
def test_columns_hold_what_lies_in_them(tmp_path: Path, ticks: np.ndarray, from_s: float, to_s: float, n: int) -> None:
    """The extremes of a column are those of its milliseconds, or of at most one cell more on either side."""
    found = opened(tmp_path, ticks, [0, PART_CELLS, 2 * PART_CELLS])
    columns = found.columns("A", START_US + round(from_s * 1e6), START_US + round(to_s * 1e6), n)
    edges = (columns.edges_us - START_US) / 1e3
    width = (edges[-1] - edges[0]) / n
    cell = max([1, *(length for length in LEVEL_TICKS if length <= width)])
    for k in range(n):
        inner = ticks[max(0, int(np.ceil(edges[k]))) : max(0, int(np.floor(edges[k + 1])))]
        outer = ticks[max(0, int(edges[k] - cell)) : max(0, int(np.ceil(edges[k + 1] + cell)))]
        if inner.size:
            assert outer.min() - 1e-6 <= columns.lowest_pa2[k] <= inner.min() + 1e-6
            assert inner.max() - 1e-6 <= columns.highest_pa2[k] <= outer.max() + 1e-6
            assert columns.lowest_pa2[k] <= columns.mean_pa2[k] <= columns.highest_pa2[k]
        elif not outer.size:
            assert np.isnan([columns.lowest_pa2[k], columns.mean_pa2[k], columns.highest_pa2[k]]).all()


def test_whole_cells_give_the_exact_mean(tmp_path: Path, ticks: np.ndarray) -> None:
    found = opened(tmp_path, ticks, [0, PART_CELLS, 2 * PART_CELLS])
    columns = found.columns("A", START_US, START_US + 960_000_000, 24)
    rows = ticks[:PART_TICKS].reshape(24, -1).astype(np.float64)
    np.testing.assert_allclose(columns.mean_pa2, rows.mean(axis=1), rtol=1e-6)


def test_a_part_that_is_gone_is_a_hole(tmp_path: Path, ticks: np.ndarray) -> None:
    found = opened(tmp_path, ticks, [0, 2 * PART_CELLS])
    columns = found.columns("A", START_US, START_US + 2_400_000_000, 240)
    assert np.isnan(columns.mean_pa2[96:192]).all()
    assert np.isfinite(columns.mean_pa2[:96]).all()
    assert np.isfinite(columns.mean_pa2[192:]).all()


def test_what_was_made_is_kept(tmp_path: Path, ticks: np.ndarray) -> None:
    found = opened(tmp_path, ticks, [0, PART_CELLS, 2 * PART_CELLS])
    assert found.n_missing == 3
    next(iter(found.make()))
    assert opened(tmp_path, ticks, [0, PART_CELLS, 2 * PART_CELLS]).n_missing == 2
    assert list(found.make()) == [1, 2]
    assert found.n_missing == 0


@pytest.mark.parametrize("n", [0, 10_001])
def test_a_view_is_bounded(tmp_path: Path, ticks: np.ndarray, n: int) -> None:
    with pytest.raises(ValueError, match="columns"):
        opened(tmp_path, ticks, [0]).columns("A", START_US, START_US + 1, n)


def test_a_month_is_drawn_at_once(tmp_path: Path) -> None:
    """Thirty days from envelopes alone (their files share one content): every view well under 0.1 s."""
    n_parts = 30 * 86_400 // PART_CELLS
    kept = envelope(np.ones(PART_TICKS, dtype=np.float32), PART_TICKS)
    np.save(tmp_path / "part.npy", kept)
    parts = [n * PART_CELLS for n in range(n_parts)]
    one = listener(np.broadcast_to(np.float32(1.0), n_parts * PART_TICKS), parts)
    found = Envelopes([StationEnvelopes(one, dict.fromkeys(parts, tmp_path / "part.npy"))])
    found.columns("A", START_US, START_US + 1_000_000, 10)
    for span_s in (30 * 86_400, 86_400, 3_600, 600, 60, 5):
        began = time.perf_counter()
        columns = found.columns("A", START_US, START_US + span_s * 1_000_000, 2_000)
        took_s = time.perf_counter() - began
        print(f"{span_s} s: {took_s * 1e3:.1f} ms")
        assert np.isfinite(columns.mean_pa2).all()
        assert took_s < 0.5  # the machine may be busy; some milliseconds otherwise
