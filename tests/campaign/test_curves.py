"""Sensitivity curves: what is read, what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from reconcile.campaign.curves import read_curve, sensitivity_at
from reconcile.campaign.faults import Findings


def read(folder: Path, text: str, name: str = "calibration/H1.csv") -> tuple[object, list[str]]:
    (folder / "calibration").mkdir(exist_ok=True)
    (folder / "calibration" / "H1.csv").write_text(text)
    findings = Findings()
    curve = read_curve(folder, name, "campaign.toml", "systems[0].sensitivity_curve", findings)
    return curve, [str(fault) for fault in findings.faults]


def test_a_curve_is_read_and_interpolated_over_log_frequency(tmp_path: Path) -> None:
    curve, faults = read(tmp_path, "frequency_hz,sensitivity_db\n10,-180\n1000,-176\n")
    assert faults == []
    assert curve == ((10.0, -180.0), (1000.0, -176.0))
    assert sensitivity_at(curve, 100.0) == pytest.approx(-178.0)  # the middle of two decades, by hand
    assert sensitivity_at(curve, 1.0) == -180.0
    assert sensitivity_at(curve, 5000.0) == -176.0


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("frequency_hz,sensitivity_db\n10,-180\n", "two frequencies"),
        ("frequency_hz,sensitivity_db\n10,-180\n10,-179\n", "rising order"),
        ("frequency_hz,sensitivity_db\n100,-180\n10,-179\n", "line 3"),
        ("frequency_hz,sensitivity_db\n0,-180\n10,-179\n", "line 2"),
        ("frequency_hz,sensitivity_db\n10,180\n20,-179\n", "line 2"),
        ("frequency_hz;sensitivity_db\n10;-180\n20;-179\n", "comma"),
        ("frequency,sensitivity_db\n10,-180\n20,-179\n", "frequency_hz"),
    ],
)
def test_a_curve_that_cannot_be_used_is_refused(tmp_path: Path, text: str, said: str) -> None:
    curve, faults = read(tmp_path, text)
    assert curve is None
    assert any(said in fault for fault in faults), faults


@pytest.mark.parametrize("name", ["../H1.csv", "/etc/passwd", "calibration/none.csv"])
def test_a_path_that_leaves_the_folder_or_is_not_there(tmp_path: Path, name: str) -> None:
    curve, faults = read(tmp_path, "frequency_hz,sensitivity_db\n10,-180\n20,-179\n", name)
    assert curve is None
    assert len(faults) == 1
