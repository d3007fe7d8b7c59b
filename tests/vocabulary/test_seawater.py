"""Sound speed against the published check value and values computed from the published equation elsewhere."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from reconcile.vocabulary.seawater import mackenzie_1981, within_mackenzie_1981

REFERENCE = Path(__file__).parents[1] / "reference" / "sound_speed_check_values.csv"


def rows() -> list[dict[str, str]]:
    lines = [line for line in REFERENCE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return [row for row in csv.DictReader(lines) if row["model"] == "mackenzie_1981"]


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row['temperature_c']},{row['salinity']},{row['depth_m']}")
def test_mackenzie_1981(row: dict[str, str]) -> None:
    temperature_c, salinity = float(row["temperature_c"]), float(row["salinity"])
    speed = mackenzie_1981(temperature_c, salinity, float(row["depth_m"]))
    assert speed == pytest.approx(float(row["sound_speed_m_s"]), abs=float(row["tolerance_m_s"]))
    assert within_mackenzie_1981(temperature_c, salinity) == (row["inside_stated_range"] == "yes")
