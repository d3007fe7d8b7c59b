"""A season in which everything changes, with known truth: each strike's level, distance, time and chain.

Pulses are damped sines whose exposure has a closed form; they spread by N = 15 and travel at 1500 m/s. Positions come
from geographiclib's direct problem, samples are written by the standard library's wave module; nothing of the program's
own is used to make them. What changes: gain (after pile 1 clipped), place of a mooring at each pile, hydrophone (in the
middle of pile 3, 1.2 dB), range of a drifting recorder (400 m to 1500 m during pile 2), the channel that does not clip.
"""

from __future__ import annotations

import wave
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from geographiclib.geodesic import Geodesic

from reconcile.running.pipeline import run
from reconcile.running.provenance import read_manifest
from reconcile.vocabulary.documents.fit import FitDocument

RATE_HZ, FILE_S = 8000, 50.0
SOUND_SPEED_M_S, N, AMPLITUDE_PA = 1500.0, 15.0, 100.0  # amplitude at 750 m and 1000 kJ
FREQUENCY_HZ, DECAY_S = 200.0, 0.015
PILES = {f"P{k}": datetime(2025, 5, k, 8, tzinfo=UTC) for k in (1, 2, 3, 4)}
PILE_PLACES = {f"P{k}": (54.0 + 0.01 * k, 6.5 + 0.013 * k) for k in (1, 2, 3, 4)}
ONSETS_S = [3.0 + 1.7 * k + 0.06 * (k % 3) + 0.03 * (k % 5) for k in range(26)]
ENERGIES_KJ = [500.0 + 60.0 * ((7 * k) % 26) for k in range(26)]
SWAP_S = 25.12345  # after the start of pile 3: between two strikes, not on a sample
CLOCK_OFFSET_S = 0.8  # of LOUD's recorder from pile 2 on
STEP_DB = 1.2
DRIFT_M = (400.0, 1500.0)

TOML = """\
format_version = 1
[campaign]
name = "A season"
sound_speed_m_s = 1500.0
[[systems]]
id = "A"
sensitivity_db = -180.0
gain_db = 20.0
full_scale_v = 2.5
standard_uncertainty_db = 0.5
[[systems]]
id = "B"
end_to_end_sensitivity_db = -168.0
standard_uncertainty_db = 0.5
[[systems]]
id = "B_new"
end_to_end_sensitivity_db = -166.8
standard_uncertainty_db = 0.8
[[systems]]
id = "HIGH"
end_to_end_sensitivity_db = -164.5
standard_uncertainty_db = 0.5
[[systems]]
id = "LOW"
end_to_end_sensitivity_db = -168.0
standard_uncertainty_db = 0.5
[[stations]]
id = "LOUD"
system = "A"
recordings = "recordings/LOUD/*.wav"
time_pattern = "%Y%m%dT%H%M%S.%f"
[[stations]]
id = "RELAID"
system = "B"
recordings = "recordings/RELAID/*.wav"
time_pattern = "%Y%m%dT%H%M%S.%f"
[[stations]]
id = "DRIFT"
system = "B"
recordings = "recordings/DRIFT/*.wav"
time_pattern = "%Y%m%dT%H%M%S.%f"
[[stations]]
id = "TWIN_HIGH"
system = "HIGH"
channel = 1
mooring_id = "TWIN"
hydrophone_depth_m = 12.0
recordings = "recordings/TWIN/*.wav"
start_times = "start_times.csv"
[[stations]]
id = "TWIN_LOW"
system = "LOW"
channel = 2
mooring_id = "TWIN"
hydrophone_depth_m = 12.0
recordings = "recordings/TWIN/*.wav"
start_times = "start_times.csv"
[settings]
weightings = ["nmfs-2024:LF"]
"""
DEPLOYMENTS = (
    "station_id,mooring_id,system_id,channel,gain_db,latitude_deg,longitude_deg,position_uncertainty_m,"
    "hydrophone_depth_m,water_depth_m,from_utc,to_utc,clock_offset_s,clock_drift_ppm"
)
RANGES_M = {  # of the moorings, by pile; the twins stay where they are
    "LOUD": {"P1": 200.0, "P2": 320.0, "P3": 280.0, "P4": 300.0},
    "RELAID": {"P1": 1000.0, "P2": 1250.0, "P3": 1700.0, "P4": 2300.0},
}
TWIN_OF_P4_M = 450.0
FULL_SCALE_PA = {  # 10^(-(S + 120)/20) of an end-to-end sensitivity S; 2.5 V over the volts of one pascal of a chain
    "gain_20": 2.5 / 10 ** ((-180.0 + 20.0 + 120.0) / 20.0),
    "gain_8": 2.5 / 10 ** ((-180.0 + 8.0 + 120.0) / 20.0),
    "B": 10 ** ((168.0 - 120.0) / 20.0),
    "B_new": 10 ** ((166.8 - 120.0) / 20.0),
    "HIGH": 10 ** ((164.5 - 120.0) / 20.0),
    "LOW": 10 ** ((168.0 - 120.0) / 20.0),
}


@dataclass
class Season:
    """The campaign folder, and what is true of each pile, station and strike: distance, arrival, exposure level."""

    folder: Path
    truth: list[dict[str, object]] = field(default_factory=list)
    positions: dict[tuple[str, str], tuple[float, float]] = field(default_factory=dict)


def place(pile: str, range_m: float, bearing_deg: float) -> tuple[float, float]:
    found = Geodesic.WGS84.Direct(*PILE_PLACES[pile], bearing_deg, range_m)
    return found["lat2"], found["lon2"]


def between(pile: str, position: tuple[float, float]) -> float:
    return float(Geodesic.WGS84.Inverse(*PILE_PLACES[pile], *position)["s12"])


def exposure_level_db(range_m: float, energy_kj: float) -> float:
    """Closed form: the integral of A² exp(-2t/d) sin²(wt) is A² d/4 · (wd)²/(1 + (wd)²)."""
    wd2 = (2 * np.pi * FREQUENCY_HZ * DECAY_S) ** 2
    amplitude = AMPLITUDE_PA * (range_m / 750.0) ** (-N / 20.0) * np.sqrt(energy_kj / 1000.0)
    return float(10 * np.log10(amplitude**2 * DECAY_S / 4 * wd2 / (1 + wd2)) + 120.0)


def range_at(pile: str, station: str, season: Season, second: float) -> float:
    """Distance of a station at a time after the start of a pile."""
    if station == "DRIFT":
        return DRIFT_M[0] + (DRIFT_M[1] - DRIFT_M[0]) * second / FILE_S
    return between(pile, season.positions[pile, station])


def pressure_pa(season: Season, pile: str, station: str, rng: np.random.Generator) -> np.ndarray:
    """The sound of a pile at a station, in noise of 0.1 Pa; the truth is noted."""
    time_s = np.arange(round(FILE_S * RATE_HZ)) / RATE_HZ
    sound = rng.normal(0.0, 0.1, time_s.size)
    for number, (onset_s, energy_kj) in enumerate(zip(ONSETS_S, ENERGIES_KJ, strict=True), start=1):
        arrival_s = onset_s
        for _ in range(20):  # the recorder drifts while the sound travels
            range_m = range_at(pile, station, season, arrival_s)
            arrival_s = onset_s + range_m / SOUND_SPEED_M_S
        amplitude = AMPLITUDE_PA * (range_m / 750.0) ** (-N / 20.0) * np.sqrt(energy_kj / 1000.0)
        since = time_s - arrival_s
        inside = (since >= 0) & (since < 0.4)
        sound[inside] += amplitude * np.exp(-since[inside] / DECAY_S) * np.sin(2 * np.pi * FREQUENCY_HZ * since[inside])
        level = exposure_level_db(range_m, energy_kj)
        moment = PILES[pile] + timedelta(seconds=arrival_s)
        season.truth.append(
            {
                "pile_id": pile,
                "blow_number": number,
                "station_id": station,
                "true_range_m": range_m,
                "true_level_db": level,
                "arrival": moment,
                "energy": energy_kj,
            }
        )
    return sound


def write_wav(path: Path, channels: list[np.ndarray]) -> None:
    """16-bit samples of value/full scale, clipped as a converter does."""
    path.parent.mkdir(parents=True, exist_ok=True)
    samples = np.clip(np.round(np.stack(channels, axis=1) * 32768.0), -32768, 32767).astype("<i2")
    with wave.open(str(path), "wb") as out:
        out.setnchannels(samples.shape[1])
        out.setsampwidth(2)
        out.setframerate(RATE_HZ)
        out.writeframes(samples.tobytes())


def stamp(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%f") + "Z"


def write_season(folder: Path) -> Season:
    season = Season(folder)
    rng = np.random.default_rng(20250501)
    (folder / "recordings").mkdir(parents=True)
    (folder / "campaign.toml").write_text(TOML, encoding="utf-8")
    deployments, starts = [DEPLOYMENTS], ["recording,start_utc"]
    twin = place("P4", TWIN_OF_P4_M, 200.0)
    for k, (pile, start) in enumerate(PILES.items()):
        from_utc, to_utc = stamp(start - timedelta(hours=6)), stamp(start + timedelta(hours=6))
        name = start.strftime("%Y%m%dT%H%M%S.%f")
        season.positions |= {(pile, s): place(pile, RANGES_M[s][pile], 20.0 + 80.0 * k) for s in RANGES_M}
        season.positions |= {(pile, s): twin for s in ("TWIN_HIGH", "TWIN_LOW")}
        loud = pressure_pa(season, pile, "LOUD", rng)
        lat, lon = season.positions[pile, "LOUD"]
        if pile == "P1":
            deployments.append(f"LOUD,,,,,{lat:.9f},{lon:.9f},5,,,{from_utc},{to_utc},,")
            write_wav(folder / f"recordings/LOUD/{name}.wav", [loud / FULL_SCALE_PA["gain_20"]])
        else:
            deployments.append(f"LOUD,,,,8,{lat:.9f},{lon:.9f},5,,,{from_utc},{to_utc},{CLOCK_OFFSET_S},0")
            late = (start + timedelta(seconds=CLOCK_OFFSET_S)).strftime("%Y%m%dT%H%M%S.%f")
            write_wav(folder / f"recordings/LOUD/{late}.wav", [loud / FULL_SCALE_PA["gain_8"]])
        relaid = pressure_pa(season, pile, "RELAID", rng)
        lat, lon = season.positions[pile, "RELAID"]
        full_scale = np.full(relaid.size, FULL_SCALE_PA["B_new" if pile == "P4" else "B"])
        if pile == "P3":
            swap = stamp(start + timedelta(seconds=SWAP_S))
            full_scale[np.arange(relaid.size) / RATE_HZ >= SWAP_S] = FULL_SCALE_PA["B_new"]
            deployments.append(f"RELAID,,,,,{lat:.9f},{lon:.9f},5,,,{from_utc},{swap},,")
            deployments.append(f"RELAID,,B_new,,,{lat:.9f},{lon:.9f},5,,,{swap},{to_utc},,")
        else:
            system = "B_new" if pile == "P4" else ""
            deployments.append(f"RELAID,,{system},,,{lat:.9f},{lon:.9f},5,,,{from_utc},{to_utc},,")
        write_wav(folder / f"recordings/RELAID/{name}.wav", [relaid / full_scale])
        if pile == "P2":
            write_wav(
                folder / f"recordings/DRIFT/{name}.wav", [pressure_pa(season, pile, "DRIFT", rng) / FULL_SCALE_PA["B"]]
            )
        high = pressure_pa(season, pile, "TWIN_HIGH", rng)
        low = pressure_pa(season, pile, "TWIN_LOW", rng) + rng.normal(0.0, 0.3, high.size)  # its converter's noise
        starts.append(f"recordings/TWIN/{k + 1:04d}.wav,{stamp(start)}")
        write_wav(
            folder / f"recordings/TWIN/{k + 1:04d}.wav", [high / FULL_SCALE_PA["HIGH"], low / FULL_SCALE_PA["LOW"]]
        )
    lat, lon = twin
    toml = TOML.replace(
        'mooring_id = "TWIN"', f'mooring_id = "TWIN"\nlatitude_deg = {lat:.9f}\nlongitude_deg = {lon:.9f}'
    )
    (folder / "campaign.toml").write_text(toml, encoding="utf-8")
    (folder / "deployments.csv").write_text("\n".join(deployments), encoding="utf-8")
    (folder / "start_times.csv").write_text("\n".join(starts), encoding="utf-8")
    write_tables(folder)
    return season


def write_tables(folder: Path) -> None:
    track = ["station_id,time_utc,latitude_deg,longitude_deg,hydrophone_depth_m,standard_uncertainty_m"]
    for second in np.arange(0.0, FILE_S + 10.0, 10.0):
        range_m = DRIFT_M[0] + (DRIFT_M[1] - DRIFT_M[0]) * second / FILE_S
        lat, lon = place("P2", range_m, 310.0)
        track.append(f"DRIFT,{stamp(PILES['P2'] + timedelta(seconds=float(second)))},{lat:.9f},{lon:.9f},10,8")
    piles = [
        "pile_id,foundation_type,installation_method,diameter_m,water_depth_m,latitude_deg,longitude_deg,"
        "rated_energy_kj,abatement,start_utc,end_utc,prediction_id"
    ]
    blows = ["pile_id,blow_number,time_utc,energy_kj,penetration_m"]
    for pile, start in PILES.items():
        lat, lon = PILE_PLACES[pile]
        end = stamp(start + timedelta(seconds=FILE_S))
        piles.append(f"{pile},monopile,impact,8,30,{lat},{lon},3000,none,{stamp(start)},{end},ES")
        for number, (onset_s, energy_kj) in enumerate(zip(ONSETS_S, ENERGIES_KJ, strict=True), start=1):
            blows.append(f"{pile},{number},{stamp(start + timedelta(seconds=onset_s))},{energy_kj:g},")
    predictions = [
        "prediction_id,quantity,weighting,band_hz,range_m,level_db,standard_deviation_db,statistic,energy_kj,"
        "model_id,abatement"
    ]
    for range_m in (150, 5000):
        predictions.append(
            f"ES,exposure_level,none,,{range_m},{exposure_level_db(range_m, 1000):.4f},,median,1000,M,none"
        )
    for name, lines in {
        "tracks.csv": track,
        "piles.csv": piles,
        "blows.csv": blows,
        "predictions.csv": predictions,
    }.items():
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    season = write_season(tmp_path_factory.mktemp("season") / "campaign")
    outcome = run(season.folder, season.folder / "results", workers=1)
    assert outcome.unusable == {}
    return season


@pytest.fixture(scope="module")
def rows(season: Season) -> pd.DataFrame:
    """The strikes with the truth of each beside it."""
    strikes = pd.read_parquet(season.folder / "results/strikes.parquet")
    truth = pd.DataFrame(season.truth)
    merged = strikes.merge(truth, on=["pile_id", "blow_number", "station_id"], how="outer", indicator=True)
    assert set(merged["_merge"]) == {"both"}  # every strike at every station, and nothing else
    return merged


def test_levels_are_at_the_truth_throughout(rows: pd.DataFrame) -> None:
    open_rows = rows[rows["exposure_censoring"] == "none"]
    error = open_rows["exposure_level_db"] - open_rows["true_level_db"]
    assert error.abs().max() < 0.2
    clipped = rows[rows["exposure_censoring"] == "at_least"]
    assert set(clipped["station_id"] + clipped["pile_id"]) == {"LOUDP1", "TWIN_HIGHP4"}
    assert (clipped["exposure_level_db"] < clipped["true_level_db"] + 0.2).all()


def test_distances_times_chains_and_places_are_those_that_held(rows: pd.DataFrame) -> None:
    assert (rows["range_m"] - rows["true_range_m"]).abs().max() < 1.0
    drift = rows[rows["station_id"] == "DRIFT"]
    assert drift["true_range_m"].max() - drift["true_range_m"].min() > 900.0
    assert set(drift["range_standard_uncertainty_m"]) == {8.0}
    assert set(rows[rows["station_id"] == "LOUD"]["range_standard_uncertainty_m"]) == {5.0}
    late_s = (rows["time_utc"] - rows["arrival"]).dt.total_seconds()
    assert late_s.between(0.0, 0.002).all()  # 5 % of the energy of a pulse has passed after 0.84 ms
    relaid = rows[rows["station_id"] == "RELAID"].groupby("pile_id")
    assert {pile: set(part["system_id"]) for pile, part in relaid} == {
        "P1": {"B"},
        "P2": {"B"},
        "P3": {"B", "B_new"},
        "P4": {"B_new"},
    }
    assert [set(part["mooring_id"]) for _, part in relaid] == [{"RELAID"}, {"RELAID@2"}, {"RELAID@3"}, {"RELAID@4"}]
    assert set(rows[rows["station_id"].str.startswith("TWIN")]["mooring_id"]) == {"TWIN"}


def test_of_two_channels_the_one_that_does_not_clip_is_used(rows: pd.DataFrame) -> None:
    other = rows["flags"].map(lambda flags: "other_channel_used" in flags)
    high, low = (rows["station_id"] == name for name in ("TWIN_HIGH", "TWIN_LOW"))
    clipped = rows["exposure_censoring"] == "at_least"
    assert 0 < (high & clipped).sum() < 20
    pd.testing.assert_series_equal(other[high], clipped[high], check_names=False)
    spared = set(rows[low & ~other]["strike_id"])
    assert spared == set(rows[high & clipped]["strike_id"])
    assert not other[~high & ~low].any()


def test_the_summary_follows(season: Season) -> None:
    table = pd.read_parquet(season.folder / "results/summary.parquet")
    level = table[(table["quantity"] == "exposure_level") & (table["weighting"] == "none") & table["band_hz"].isna()]
    level = level.set_index(["station_id", "pile_id"])
    arrivals = [row["true_range_m"] for row in season.truth if row["station_id"] == "DRIFT"]
    assert level["range_m"]["DRIFT", "P2"] == pytest.approx(np.median(arrivals), abs=1.0)
    assert level["range_m"]["RELAID", "P3"] == pytest.approx(1700.0, abs=1.0)
    assert level["n_strikes"]["TWIN_LOW", "P1"] == len(ONSETS_S)  # the other channel is used, but these are its levels
    between = np.std(10 * np.log10(ENERGIES_KJ), ddof=1) / np.sqrt(len(ENERGIES_KJ))
    chain = np.sqrt((0.5**2 + 0.8**2) / 2)  # the hydrophones before and after, thirteen strikes each
    assert level["standard_uncertainty_db"]["RELAID", "P3"] == pytest.approx(np.hypot(between, chain), abs=0.02)


def test_the_fit_finds_the_spreading_and_the_comparison_no_bias(season: Season) -> None:
    document = FitDocument.model_validate_json((season.folder / "results/fit.json").read_text())
    fit = document.selected("exposure_level", "none", None, "impact", "monopile", "none")
    assert fit is not None
    assert fit.model == "spreading"
    assert fit.coefficients.spreading_coefficient_db_per_decade.value == pytest.approx(N, abs=0.2)
    reference = exposure_level_db(750.0, fit.reference_energy_kj or 0.0)
    assert fit.coefficients.level_at_reference_db.value == pytest.approx(reference, abs=0.2)
    assert fit.n_stations == 10  # places: four of LOUD, four of RELAID, the twins', the drifting one
    pairs = pd.read_parquet(season.folder / "results/comparison.parquet")
    counted = pairs[pairs["counted"]]
    assert counted["bias_db"].abs().max() < 0.2
    assert set(counted["station_id"]) == {"LOUD", "RELAID", "DRIFT", "TWIN_HIGH"}
    drifted = counted[counted["station_id"] == "DRIFT"].iloc[0]
    assert list(drifted["flags"]) == ["range_varies"]
    twin = counted[(counted["station_id"] == "TWIN_HIGH") & (counted["pile_id"] == "P4")].iloc[0]
    assert twin["n_strikes"] == len(ONSETS_S)  # the loud ones by one channel, the rest by the other


def test_streams_are_cut_where_the_hydrophone_was_swapped(season: Season) -> None:
    manifest = read_manifest(season.folder / "results")
    swapped = [s for s in manifest.streams if s.station_id == "RELAID" and s.mooring_id == "RELAID@3"]
    assert [s.system_id for s in swapped] == ["B", "B_new"]
    first_sample = int(np.ceil(SWAP_S * RATE_HZ))
    assert swapped[1].start_utc == PILES["P3"] + timedelta(seconds=first_sample / RATE_HZ)
    assert swapped[0].end_utc == swapped[1].start_utc
    gains = [[stage.value for stage in chain.stages][1] for chain in manifest.chains if chain.system_id == "A"]
    assert gains == [20.0, 8.0]
