"""Continuous sound end to end: a vibrated pile's lines, ten seconds, a vessel, and what impact driving does not pay."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import soundfile

from reconcile.running.levels_stage import levels
from tests.small_campaign import FILE_S, FULL_SCALE_PA, RATE_HZ, write_small_campaign

FUNDAMENTAL_HZ, AMPLITUDES_PA = 24.6, (20.0, 14.0, 10.0, 7.0)
PASSAGE = """
[[vessel_passages]]
station_id = "NEAR"
from_utc = "2025-05-01T08:00:10Z"
to_utc = "2025-05-01T08:00:15Z"
"""


@pytest.fixture(scope="module")
def vibrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """P1 is struck; P2 is vibrated for forty seconds: four lines in white noise at both stations."""
    folder = tmp_path_factory.mktemp("vibrated")
    written = write_small_campaign(folder)
    piles = (folder / "piles.csv").read_text(encoding="utf-8").splitlines()
    piles = [line.replace(",impact,", ",vibratory,") if line.startswith("P2") else line for line in piles]
    (folder / "piles.csv").write_text("\n".join(piles) + "\n", encoding="utf-8")
    rng = np.random.default_rng(5)
    for number, path in enumerate(p for p in written.recordings() if "20250502" in p.name):
        t = (number % 2) * FILE_S + np.arange(round(FILE_S * RATE_HZ)) / RATE_HZ
        lines = sum(a * np.cos(2 * np.pi * k * FUNDAMENTAL_HZ * t) for k, a in enumerate(AMPLITUDES_PA, start=1))
        sound = np.asarray(lines) + rng.normal(0.0, 10.0, t.size)
        soundfile.write(path, sound / FULL_SCALE_PA, RATE_HZ, subtype="FLOAT")
    levels(folder, folder / "results", workers=1)
    return folder


def read(folder: Path, name: str) -> pd.DataFrame:
    return pd.read_parquet(folder / "results" / f"{name}.parquet")


def test_lines_of_the_vibrated_pile(vibrated: Path) -> None:
    tones = read(vibrated, "tones")
    assert set(tones.pile_id) == {"P2"}
    assert set(tones.station_id) == {"NEAR", "FAR"}
    whole = tones[(tones.duration_s == 10.0) & (tones.harmonic <= 4)]
    assert (whole.frequency_hz / whole.harmonic).to_numpy() == pytest.approx(FUNDAMENTAL_HZ, abs=0.02)
    wanted = [120 + 10 * np.log10(AMPLITUDES_PA[k - 1] ** 2 / 2) for k in whole.harmonic]
    assert whole.level_db.to_numpy() == pytest.approx(wanted, abs=1.5)
    assert set(whole.censoring) == {"none"}
    field = pq.read_schema(vibrated / "results/tones.parquet").field("level_db")
    assert field.metadata[b"unit"].decode() == "dB re 1 µPa"


def test_nothing_is_kept_of_impact_driving(vibrated: Path) -> None:
    parts = [part for part in (vibrated / "results/parts").iterdir() if (part / "0.ticks.npy").exists()]
    assert sorted((part / "0.narrow.npz").exists() for part in parts) == [False, False, True, True]


def test_ten_seconds(vibrated: Path) -> None:
    tens, seconds = read(vibrated, "background_10s"), read(vibrated, "background")
    near = tens[(tens.station_id == "NEAR") & (tens.pile_id == "P2")]
    assert len(near) in (3, 4)
    first = near.iloc[0]
    inside = seconds[(seconds.station_id == "NEAR") & (seconds.duration_s == 1.0)].set_index("start_utc")
    own = inside.loc[first.start_utc : first.start_utc + pd.Timedelta(seconds=9)]
    assert len(own) == 10
    assert first.level_db == pytest.approx(10 * np.log10(np.mean(10 ** (own.level_db / 10))), abs=1e-4)
    hours = read(vibrated, "continuous").query("over == 'utc_hour' and interval_s == 10.0")
    assert {"P1", "P2"} <= set(hours.pile_id.dropna())


def test_a_vessel_is_marked_without_reading_again(vibrated: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in (vibrated / "results/parts").rglob("*.npy")}
    path = vibrated / "campaign.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text + PASSAGE, encoding="utf-8")
    levels(vibrated, vibrated / "results", workers=1)
    path.write_text(text, encoding="utf-8")
    assert {path: path.stat().st_mtime_ns for path in (vibrated / "results/parts").rglob("*.npy")} == before
    strikes = read(vibrated, "strikes")
    marked = strikes[strikes["flags"].map(lambda flags: "vessel_passage" in flags)]
    start = pd.Timestamp("2025-05-01T08:00:10Z")
    assert set(marked.station_id) == {"NEAR"}
    assert marked.time_utc.between(start, start + pd.Timedelta(seconds=5)).all()
    assert len(marked) in (2, 3, 4)
    seconds = read(vibrated, "background").query("duration_s == 1.0")
    assert seconds["flags"].map(lambda flags: "vessel_passage" in flags).sum() in (5, 6)
