"""How many processes are granted: quotas of control groups as Linux' documentation describes their files."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.running import workers


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="ascii")


@pytest.mark.parametrize(
    ("files", "own", "shares"),
    [
        ({"cpu.max": "150000 100000"}, "0::/", [1.5]),
        ({"cpu.max": "max 100000"}, "0::/", []),
        ({"cpu.max": "400000 100000", "job/cpu.max": "200000 100000"}, "0::/job", [2.0, 4.0]),
        ({"cpu/cpu.cfs_quota_us": "300000", "cpu/cpu.cfs_period_us": "100000"}, "3:cpu:/", [3.0]),
        ({"cpu/cpu.cfs_quota_us": "-1", "cpu/cpu.cfs_period_us": "100000"}, "3:cpu:/", []),
        ({}, "5:memory:/job", []),
    ],
)
def test_quota_over_period(tmp_path: Path, files: dict[str, str], own: str, shares: list[float]) -> None:
    for name, text in files.items():
        _write(tmp_path / "mount" / name, text)
    _write(tmp_path / "own", own)
    assert set(workers.processor_shares(tmp_path / "mount", tmp_path / "own")) == set(shares)


def test_at_least_one_and_no_more_than_granted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers.os, "sched_getaffinity", lambda _: {0, 1, 2, 3}, raising=False)
    for shares, expected in (([], 4), ([2.5, 3.0], 2), ([0.5], 1)):
        monkeypatch.setattr(workers, "processor_shares", lambda *_, shares=shares: iter(shares))
        assert workers.available_workers() == expected
