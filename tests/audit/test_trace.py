"""A strike traced: against samples that the test reads itself, the closed form of the sound, and the given tables."""

from __future__ import annotations

import hashlib
import json
import math
import re
import struct
import wave
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from reconcile.audit.trace import trace
from reconcile.running import pipeline
from reconcile.vocabulary.errors import ResultsError
from tests.audit.conftest import FILE_S
from tests.small_campaign import FULL_SCALE_PA, RATE_HZ, SmallCampaign, write_small_campaign

DECAY_S, FREQUENCY_HZ, NOISE_PA = 0.015, 200.0, 0.1  # of the sound in tests/small_campaign.py
AGAIN = re.compile(r"in the table (\S+), from the samples (\S+) ")


def row_of(results: Path, pile: str, blow: int, station: str) -> pd.Series:
    table = pd.read_parquet(results / "strikes.parquet")
    rows = table[(table["pile_id"] == pile) & (table["blow_number"] == blow) & (table["station_id"] == station)]
    assert len(rows) == 1
    return rows.iloc[0]


def section(lines: list[str], station: str) -> list[str]:
    """The lines of one station."""
    start = next(i for i, line in enumerate(lines) if line.startswith(f"Station {station}:"))
    end = next((i for i in range(start + 1, len(lines)) if lines[i].startswith("Station ")), len(lines))
    return lines[start:end]


def numbers(lines: list[str], name: str) -> tuple[float, float]:
    """Both numbers of the second route: of the table, from the samples."""
    line = next(line for line in lines if line.strip().startswith(f"{name}: in the table"))
    found = AGAIN.search(line)
    assert found is not None, line
    return float(found[1]), float(found[2])


def float_wav(path: Path) -> tuple[int, np.ndarray]:
    """A mono WAV of 32-bit floats, read chunk by chunk."""
    content = path.read_bytes()
    assert (content[:4], content[8:12]) == (b"RIFF", b"WAVE")
    at, rate, samples = 12, 0, np.zeros(0)
    while at < len(content):
        name, size = struct.unpack("<4sI", content[at : at + 8])
        body = content[at + 8 : at + 8 + size]
        if name == b"fmt ":
            code, channels, rate, _, _, bits = struct.unpack("<HHIIHH", body[:16])
            assert (code, channels, bits) == (3, 1, 32)
        elif name == b"data":
            samples = np.frombuffer(body, dtype="<f4")
        at += 8 + size + size % 2
    return rate, samples


def samples_of(small: SmallCampaign, row: pd.Series) -> np.ndarray:
    """The row's pulse interval in pascals, by the standard library and the chain's single factor."""
    first, n = int(row["start_sample"]), round(float(row["window_s"]) * RATE_HZ)
    with wave.open(str(small.folder / row["recording"])) as sound:
        assert (sound.getframerate(), sound.getsampwidth(), sound.getnchannels()) == (RATE_HZ, 2, 1)
        sound.setpos(first)
        content = sound.readframes(n)
    return np.frombuffer(content, dtype="<i2") / 32768.0 * FULL_SCALE_PA


def exposure_db(size_pa: float) -> float:
    """Exposure level of size·exp(-t/τ)·sin(ωt) in closed form, dB re 1 µPa² s."""
    turn = 2 * math.pi * FREQUENCY_HZ * DECAY_S
    return 10 * math.log10(size_pa**2 * DECAY_S / 4 * turn**2 / (1 + turn**2) / 1e-12)


def peak_above_10_hz_db(small: SmallCampaign, row: pd.Series) -> float:
    """Peak level of the window with |H| = f²/√(f⁴ + 10⁴) over the whole file, dB re 1 µPa."""
    with wave.open(str(small.folder / row["recording"])) as sound:
        content = sound.readframes(sound.getnframes())
    pressure = np.frombuffer(content, dtype="<i2") / 32768.0 * FULL_SCALE_PA
    f = np.fft.rfftfreq(pressure.size, 1 / RATE_HZ)
    high = np.fft.irfft(np.fft.rfft(pressure) * f**2 / np.sqrt(f**4 + 1e4), pressure.size)
    window = high[row["start_sample"] : row["start_sample"] + round(row["window_s"] * RATE_HZ)]
    return float(20 * np.log10(np.abs(window).max() / 1e-6))


def test_file_hash_samples_and_both_numbers(small: SmallCampaign, results: Path) -> None:
    row = row_of(results, "P1", 4, "NEAR")
    report = trace(results, row["strike_id"], recordings=str(small.folder))
    assert not report.differs
    assert report.lines[0].startswith(
        f"Strike {row['strike_id']}: pile P1, blow 4 of the hammer log, 1060 kJ; rows at 2"
    )
    lines = section(report.lines, "NEAR")
    text = "\n".join(lines)
    digest = hashlib.sha256((small.folder / row["recording"]).read_bytes()).hexdigest()
    assert f"SHA-256 {digest} (the file at hand is the same)" in text
    last = row["start_sample"] + round(row["window_s"] * RATE_HZ) - 1
    assert f"samples {row['start_sample']} to {last} from 0" in text
    assert f"Recording {row['recording']}: 8000 Hz, channel 1 of 1" in text
    for name, expected, near in (
        ("peak level", peak_above_10_hz_db(small, row), 0.01),
        ("exposure level, background subtracted", exposure_db(100.0 * math.sqrt(1.06)), 0.03),
        ("background level", 20 * math.log10(NOISE_PA / 1e-6), 0.35),
    ):
        stated, found = numbers(lines, name)
        assert found == pytest.approx(expected, abs=near), name
        assert stated == pytest.approx(found, abs=0.002), name
    assert numbers(lines, "exposure level, background subtracted")[0] == round(row["exposure_level_db"], 3)


def test_chain_uncertainty_use_and_pairs(results: Path) -> None:
    row = row_of(results, "P1", 4, "NEAR")
    lines = trace(results, row["strike_id"]).lines  # the recordings are not at hand
    near, far = ("\n".join(section(lines, station)) for station in ("NEAR", "FAR"))
    assert "hydrophone -176 dB re 1 V/µPa (µPa to V); amplifier 20 dB (V to V); converter 2.51189 V" in near
    assert "end to end -164 dB re 1 (full scale)/µPa" in far
    assert "sample value 1.0 = 158.489 Pa" in near  # 10^((164 - 120)/20)
    assert "chain 0.70 dB (certificate 0.7 dB)" in near
    assert "Used in the summary: yes" in near
    assert "Used in the fit: yes" in near
    assert "Used in the comparison: yes" in near
    fits = json.loads((results / "fit.json").read_text(encoding="utf-8"))["fits"]
    chosen = [fit for fit in fits if fit["selected"]]
    assert f"{len(chosen)} chosen fits of impact, monopile, abatement 'none'" in near
    curve = next(fit for fit in chosen if fit["quantity"] == "exposure_level" and fit["weighting"] == "none")
    value = {name: c["value"] for name, c in curve["coefficients"].items() if c}
    expected = value["level_at_reference_db"] - value["spreading_coefficient_db_per_decade"] * math.log10(600 / 750)
    expected -= value["attenuation_db_per_km"] * (600 - 750) / 1000
    expected += value["energy_coefficient_db_per_decade"] * math.log10(1060 / curve["reference_energy_kj"])
    assert f"gives {expected:.2f} dB at this range and energy" in near
    assert f"lies {row['exposure_level_db'] - expected:+.2f} dB from it" in near
    pairs = pd.read_parquet(results / "comparison.parquet").set_index(["pile_id", "station_id"])
    bias = pairs.loc[("P1", "NEAR"), "bias_db"]
    assert "ES1, median exposure_level: predicted 163.42, measured" in near  # 165 - 20 lg(600/500)
    assert f"bias {bias:+.2f} dB, counted" in near
    assert "blows matched" in near
    assert "the file is not at hand" in near
    assert "Samples read again: no" in near
    assert lines.index(next(x for x in lines if x.startswith("Station NEAR"))) < lines.index(
        next(x for x in lines if x.startswith("Station FAR"))
    )


def test_every_level_of_the_row_is_there_with_its_unit(results: Path) -> None:
    row = row_of(results, "P1", 4, "NEAR")
    lines = section(trace(results, row["strike_id"]).lines, "NEAR")
    schema = pq.read_schema(results / "strikes.parquet")
    for field in schema:
        unit = field.metadata[b"unit"].decode()
        if unit.startswith("dB re"):
            value = row[field.name]
            shown = "null" if np.isnan(value) else f"{value:.2f} {unit}"
            assert any(line.startswith(f"    {field.name}: {shown} (") for line in lines), field.name
            assert np.isnan(value) == (field.name == "oversampled_peak_level_db"), field.name  # not asked for


def test_wav_is_the_window_in_pascals(small: SmallCampaign, results: Path, tmp_path: Path) -> None:
    near, far = (row_of(results, "P1", 4, station) for station in ("NEAR", "FAR"))
    trace(results, near["strike_id"], recordings=str(small.folder), wav=tmp_path / "cut.wav")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["cut.wav", "cut_FAR.wav"]
    for path, row in ((tmp_path / "cut.wav", near), (tmp_path / "cut_FAR.wav", far)):
        rate, samples = float_wav(path)
        assert rate == RATE_HZ
        np.testing.assert_allclose(samples, samples_of(small, row), rtol=1e-6, atol=1e-6)
    trace(results, near["strike_id"], recordings=str(small.folder), wav=tmp_path / "far.wav", station="FAR")
    assert (tmp_path / "far.wav").read_bytes() == (tmp_path / "cut_FAR.wav").read_bytes()
    assert not (tmp_path / "far_FAR.wav").exists()


def test_a_strike_across_the_join_of_two_files(small: SmallCampaign, results: Path, tmp_path: Path) -> None:
    row = row_of(results, "P1", 11, "NEAR")
    n_frames, n = round(FILE_S * RATE_HZ), round(row["window_s"] * RATE_HZ)
    assert row["start_sample"] < n_frames < row["start_sample"] + n
    report = trace(results, row["strike_id"], recordings=str(small.folder), wav=tmp_path / "cut.wav", station="NEAR")
    beyond = row["start_sample"] + n - n_frames
    assert any(f"(the last {beyond} in the next file)" in line for line in report.lines)
    stated, found = numbers(report.lines, "exposure level, background subtracted")
    assert stated == pytest.approx(found, abs=0.002)
    assert float_wav(tmp_path / "cut.wav")[1].size == n


def test_figure(small: SmallCampaign, results: Path, tmp_path: Path) -> None:
    strike_id = row_of(results, "P1", 4, "NEAR")["strike_id"]
    for name in ("a.svg", "b.svg", "a.png", "a.pdf"):
        trace(results, strike_id, recordings=str(small.folder), figure=tmp_path / name)
    drawn = (tmp_path / "a.svg").read_text(encoding="utf-8")
    assert drawn == (tmp_path / "b.svg").read_text(encoding="utf-8")
    words = ("NEAR", "FAR", "sound pressure / Pa", "energy that has arrived / %", "background", "pulse interval")
    assert all(f">{word}<" in drawn for word in (*words, f"Strike {strike_id}"))
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")


def test_what_is_asked_wrongly_is_said(small: SmallCampaign, results: Path, tmp_path: Path) -> None:
    strike_id = row_of(results, "P1", 4, "NEAR")["strike_id"]
    with pytest.raises(ResultsError, match="did you mean"):
        trace(results, strike_id[:-1])
    with pytest.raises(ResultsError, match="--recordings CAMPAIGN"):
        trace(results, strike_id, wav=tmp_path / "cut.wav")
    with pytest.raises(ResultsError, match=r"\.svg"):
        trace(results, strike_id, recordings=str(small.folder), figure=tmp_path / "strike.gif")
    with pytest.raises(ResultsError, match="one of NEAR, FAR"):
        trace(results, strike_id, station="MIDDLE")
    assert list(tmp_path.iterdir()) == []


def test_flags_say_what_a_strike_is_left_out_of(copied: Path) -> None:
    path = copied / "strikes.parquet"
    schema, table = pq.ParquetFile(path).schema_arrow, pd.read_parquet(path)
    row = row_of(copied, "P1", 4, "NEAR")
    at = table.index[(table["strike_id"] == row["strike_id"]) & (table["station_id"] == "NEAR")][0]
    table.at[at, "flags"] = ["recording_edge", "clipped"]
    table.loc[at, ["peak_censoring", "exposure_censoring"]] = "at_least"
    pq.write_table(pa.Table.from_pandas(table, schema), path)
    near = "\n".join(section(trace(copied, row["strike_id"]).lines, "NEAR"))
    for stage in ("summary", "fit", "comparison"):
        assert f"Used in the {stage}: no, for recording_edge" in near
    assert "recording_edge: the recording starts or ends within the pulse interval" in near
    assert "AT LEAST this" in near
    assert "Pairs of this pile and station (without this strike)" in near


def test_a_row_of_which_hardly_anything_is_known(small: SmallCampaign, copied: Path) -> None:
    path = copied / "strikes.parquet"
    schema, table = pq.ParquetFile(path).schema_arrow, pd.read_parquet(path)
    row = row_of(copied, "P1", 4, "FAR")
    at = table.index[(table["strike_id"] == row["strike_id"]) & (table["station_id"] == "FAR")][0]
    for field in schema:
        if field.name not in (
            "strike_id",
            "station_id",
            "system_id",
            "mooring_id",
            "time_utc",
            "start_sample",
            "flags",
        ):
            table[field.name] = table[field.name].astype(object)
            table.at[at, field.name] = None
    table.at[at, "flags"] = ["not_heard", "outside_piling"]
    pq.write_table(pa.Table.from_pandas(table, schema), path)
    far = "\n".join(section(trace(copied, row["strike_id"], recordings=str(small.folder)).lines, "FAR"))
    assert "distance not known" in far
    assert "Recording: none is named" in far
    assert "exposure_level_db: null (" in far
    assert "Samples read again: no (the row names no samples)" in far
    assert "Used in the summary: no, for outside_piling" in far


def test_a_recording_that_was_changed_is_named(small: SmallCampaign, results: Path, tmp_path: Path) -> None:
    row = row_of(results, "P1", 4, "NEAR")
    path = tmp_path / row["recording"]
    path.parent.mkdir(parents=True)
    path.write_bytes((small.folder / row["recording"]).read_bytes()[:-2] + b"\x01\x02")
    lines = trace(results, row["strike_id"], recordings=str(tmp_path)).lines
    assert any("THE FILE AT HAND DIFFERS" in line for line in section(lines, "NEAR"))
    assert any("is not at hand" in line for line in section(lines, "FAR"))


def test_curve_low_pass_and_changed_gain(tmp_path: Path) -> None:
    """A curve 4 dB above the single number (4 dB less pressure), and a band that ends at 1 kHz, through both routes."""
    campaign = tmp_path / "chains"
    small = write_small_campaign(campaign, files=1)
    (campaign / "calibration").mkdir()
    (campaign / "calibration" / "c.csv").write_text(
        "frequency_hz,sensitivity_db\n10,-172\n3000,-172\n", encoding="utf-8"
    )
    toml = (campaign / "campaign.toml").read_text(encoding="utf-8")
    curve = 'sensitivity_db = -176.0\nsensitivity_curve = "calibration/c.csv"\nvalid_to_hz = 1000.0'
    (campaign / "campaign.toml").write_text(toml.replace("sensitivity_db = -176.0", curve), encoding="utf-8")
    empty = "latitude_deg,longitude_deg,position_uncertainty_m,hydrophone_depth_m,water_depth_m,clock_offset_s"
    header = f"station_id,mooring_id,system_id,channel,gain_db,from_utc,to_utc,{empty},clock_drift_ppm\n"
    row_text = f"NEAR,,,,26,2025-05-02T00:00:00Z,{',' * 7}\n"
    (campaign / "deployments.csv").write_text(header + row_text, encoding="utf-8")
    pipeline.levels(small.folder, campaign / "results", workers=1)
    for pile, gain in (("P1", 0.0), ("P2", 6.0)):
        table = pd.read_parquet(campaign / "results" / "strikes.parquet").sort_values("time_utc")
        row = table[table["pile_id"].eq(pile) & table["station_id"].eq("NEAR")].iloc[3]
        lines = section(trace(campaign / "results", row["strike_id"]).lines, "NEAR")  # the campaign lies around it
        size = 100.0 * math.sqrt(1.06) * (1.0 if pile == "P1" else 600.0 / 900.0)
        stated, found = numbers(lines, "exposure level, background subtracted")
        assert found == pytest.approx(exposure_db(size) - 4.0 - gain, abs=0.05)
        assert stated == pytest.approx(found, abs=0.02)
        assert numbers(lines, "peak level")[0] == pytest.approx(numbers(lines, "peak level")[1], abs=0.05)
        text = "\n".join(lines)
        assert f"amplifier {20 + gain:g} dB" in text
        assert ("deployments.csv" in text) == (pile == "P2")
        assert "sensitivity curve of 2 points" in text
        assert "full band 10 Hz to 1000 Hz" in text
