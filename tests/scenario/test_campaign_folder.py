"""The small sample as written: contract columns, exact files, and recordings that hold what truth says."""

from __future__ import annotations

import csv
import json
import tomllib
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile
from geographiclib.geodesic import Geodesic

from reconcile.scenario import campaign_files, chain_errors_db
from reconcile.scenario.campaign_folder import site_of, stated_sensitivity_db

COMMITTED = Path(__file__).parents[2] / "sample_recordings"
CONTRACT_COLUMNS = {
    "piles.csv": "pile_id foundation_type installation_method diameter_m water_depth_m latitude_deg longitude_deg "
    "rated_energy_kj abatement start_utc end_utc prediction_id",
    "blows.csv": "pile_id blow_number time_utc energy_kj penetration_m",
    "predictions.csv": "prediction_id quantity weighting band_hz range_m level_db standard_deviation_db "
    "statistic energy_kj",
    "predicted_ranges.csv": "prediction_id quantity weighting threshold_db range_m",
    "ranges.csv": "pile_id station_id range_m standard_uncertainty_m",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sample")
    for path in campaign_files(folder, size="sample"):
        assert path.is_file()
    return folder


def pressure_pa(folder: Path, station_id: str, session_start: str) -> tuple[np.ndarray, int]:
    """A session at a station through the stated chain and the known error of the chain."""
    station = next(s for s in site_of("sample").stations if s.station_id == station_id)
    day = datetime.fromisoformat(session_start).day
    names = sorted((folder / "recordings" / station.recorder.recorder_id).iterdir())
    own = names[2 * (day - 2) : 2 * (day - 2) + 2]
    read = [soundfile.read(name, always_2d=True) for name in own]
    sensitivity_db = stated_sensitivity_db(station.system)
    sensitivity_db += json.loads((folder / "truth" / "bias.json").read_text())["chain_errors_db"][
        station.system.system_id
    ]
    samples = np.concatenate([block[:, station.channel - 1] for block, _ in read])
    return samples / 10.0 ** (sensitivity_db / 20.0) * 1e-6, read[0][1]


def test_columns_are_those_of_the_contract(folder: Path) -> None:
    for name, columns in CONTRACT_COLUMNS.items():
        with (folder / name).open(encoding="utf-8", newline="") as file:
            header = next(csv.reader(file))
        assert header[: len(columns.split())] == columns.split(), name
    campaign = tomllib.loads((folder / "campaign.toml").read_text(encoding="utf-8"))
    assert campaign["format_version"] == 1
    assert {s["system"] for s in campaign["stations"]} == {s["id"] for s in campaign["systems"]}


def test_nothing_is_left_half_written(folder: Path) -> None:
    assert not list(folder.rglob("*.part"))


def test_files_abut_to_the_sample(folder: Path) -> None:
    for station in tomllib.loads((folder / "campaign.toml").read_text(encoding="utf-8"))["stations"]:
        if "time_pattern" not in station:
            continue
        ends: dict[datetime, int] = {}
        for path in sorted(folder.glob(station["recordings"])):
            start, info = datetime.strptime(path.stem, station["time_pattern"]), soundfile.info(path)
            assert info.frames % info.samplerate == 0
            ends[start] = info.frames // info.samplerate
        starts = sorted(ends)
        assert [(b - a).total_seconds() for a, b in zip(starts[::2], starts[1::2], strict=True)] == [
            ends[start] for start in starts[::2]
        ]


def test_recordings_stay_within_half_of_full_scale(folder: Path) -> None:
    paths = sorted(folder.rglob("*.wav"))
    assert sum(path.stat().st_size for path in paths) < 12e6
    assert max(float(np.max(np.abs(soundfile.read(path)[0]))) for path in paths) < 0.7


@pytest.mark.parametrize("station_id", ["S1L", "S1U", "S2", "S3"])
def test_recordings_hold_the_true_strikes(folder: Path, station_id: str) -> None:
    strikes = pd.read_csv(folder / "truth" / "strikes.csv", parse_dates=["arrival_by_station_clock_utc"])
    own = strikes[(strikes["station_id"] == station_id) & (strikes["pile_id"] == "M12")]
    pressure, rate_hz = pressure_pa(folder, station_id, "2031-06-03T09:15:00")
    frequencies_hz = np.fft.rfftfreq(pressure.size, 1.0 / rate_hz)
    response = frequencies_hz**2 / np.sqrt(frequencies_hz**4 + 1e4)
    full_band = np.fft.irfft(np.fft.rfft(pressure) * response, pressure.size)
    for row in own.itertuples():
        arrival_s = (row.arrival_by_station_clock_utc - pd.Timestamp("2031-06-03T09:15:00Z")).total_seconds()
        window = full_band[round((arrival_s - 0.1) * rate_hz) : round((arrival_s + 0.6) * rate_hz)]
        exposure_db = 10.0 * np.log10(np.sum(window**2) / rate_hz) + 120.0
        assert exposure_db == pytest.approx(row.exposure_level_db, abs=0.02)
        assert 20.0 * np.log10(np.max(np.abs(window))) + 120.0 == pytest.approx(row.peak_level_db, abs=0.05)
        arrived_s = np.searchsorted(np.cumsum(window**2), 0.05 * np.sum(window**2)) / rate_hz
        assert arrived_s == pytest.approx(0.1, abs=2e-3)


def test_ranges_are_geodesics(folder: Path) -> None:
    piles = pd.read_csv(folder / "piles.csv").set_index("pile_id")
    stations = {s["id"]: s for s in tomllib.loads((folder / "campaign.toml").read_text())["stations"]}
    strikes = pd.read_csv(folder / "truth" / "strikes.csv").drop_duplicates(["pile_id", "station_id"])
    for row in strikes.itertuples():
        pile, station = piles.loc[row.pile_id], stations[row.station_id]
        inverse = Geodesic.WGS84.Inverse(
            pile["latitude_deg"], pile["longitude_deg"], station["latitude_deg"], station["longitude_deg"]
        )
        assert inverse["s12"] == pytest.approx(row.range_m, abs=0.02)
    assert strikes[strikes["station_id"] == "S1L"]["range_m"].tolist() == pytest.approx(
        [520.0, 790.0, 1060.0], abs=0.05
    )


def test_injected_bias_from_the_tables(folder: Path) -> None:
    strikes = pd.read_csv(folder / "truth" / "strikes.csv")
    table = pd.read_csv(folder / "predictions.csv", keep_default_na=False)
    table = table[(table["quantity"] == "exposure_level") & (table["weighting"] == "none") & (table["band_hz"] == "")]
    table = table[table["abatement"] == "none"]
    energy_kj = table["energy_kj"].astype(float).iloc[0]
    strikes["level_db"] = strikes["exposure_level_db"] + 10.0 * np.log10(energy_kj / strikes["energy_kj"])
    pairs = strikes.groupby(["pile_id", "station_id"]).agg(
        range_m=("range_m", "first"), level_db=("level_db", "median")
    )
    lg_ranges = np.log10(pairs["range_m"])
    predicted_db = np.interp(lg_ranges, np.log10(table["range_m"].astype(float)), table["level_db"].astype(float))
    _, offset_db = np.polyfit(lg_ranges - np.log10(750.0), predicted_db - pairs["level_db"], 1)
    assert offset_db == pytest.approx(4.5, abs=0.3)


def test_committed_sample_is_what_the_code_writes(folder: Path) -> None:
    written = {p.relative_to(folder) for p in folder.rglob("*") if p.is_file()}
    assert written <= {p.relative_to(COMMITTED) for p in COMMITTED.rglob("*") if p.is_file()}
    for name in sorted(written):
        if name.suffix == ".wav":
            # Another processor's transforms may round one sample the other way.
            one, other = (soundfile.read(root / name, dtype="int16")[0].astype(int) for root in (folder, COMMITTED))
            assert np.max(np.abs(one - other)) <= 1, name
        elif name.parts[0] != "truth":
            assert (folder / name).read_bytes() == (COMMITTED / name).read_bytes(), name


def test_chain_errors_follow_the_certificates() -> None:
    site = site_of("full")
    assert set(chain_errors_db(site, 1, exact_chains=True).values()) == {0.0}
    draws = [chain_errors_db(site, seed, exact_chains=False) for seed in range(400)]
    own = [draw["H4"] - draw["common"] for draw in draws]
    assert np.std(own) == pytest.approx(0.8, rel=0.12)
    assert np.std([draw["common"] for draw in draws]) == pytest.approx(0.4, rel=0.12)
    assert abs(np.corrcoef(own, [draw["H2"] - draw["common"] for draw in draws])[0, 1]) < 0.15
