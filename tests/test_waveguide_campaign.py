"""The main job end to end against something outside: a published-style table of losses in a known waveguide.

Recordings are synthesised from `waveguide_transmission_loss.csv` (wave equation, independent methods): a burst at
250 Hz whose exposure at each range is a source level less the table's loss. Levels must come back at those values, and
the fit at the least squares of the table itself (numpy, a second route).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

from reconcile.running import pipeline
from reconcile.spreading import fit_levels
from tests.band_losses import band_losses

REFERENCE = Path(__file__).parent / "reference"
SOURCE_EXPOSURE_DB = 220.0  # re 1 µPa² m² s
RATE = 8000
N_BLOWS = 12
END_TO_END_DB = -195.0


def losses(frequency_hz: float) -> pd.DataFrame:
    table = pd.read_csv(REFERENCE / "waveguide_transmission_loss.csv", comment="#")
    rows = table[(table["frequency_hz"] == frequency_hz) & (table["range_m"] >= 750)]
    loss = rows["wavenumber_integration_db"].fillna(rows["trapped_modes_db"])
    return pd.DataFrame({"range_m": rows["range_m"], "loss_db": loss}).reset_index(drop=True)


def burst(exposure_db: float) -> np.ndarray:
    """A Gaussian burst at 250 Hz; its energy is p0² s √π / 2 (closed form, many cycles)."""
    s = 0.02
    p0 = np.sqrt(10 ** (exposure_db / 10) * 1e-12 * 2 / (s * np.sqrt(np.pi)))
    t = np.arange(-0.12, 0.12, 1 / RATE)
    return np.asarray(p0 * np.exp(-(t**2) / (2 * s**2)) * np.cos(2 * np.pi * 250.0 * t))


def write_campaign(folder: Path, table: pd.DataFrame) -> None:
    rng = np.random.default_rng(41)
    blow_s = 4.0 + np.cumsum(1.6 + 0.04 * rng.standard_normal(N_BLOWS))
    stations = []
    for k, row in table.iterrows():
        pressure = 1e-3 * rng.standard_normal(30 * RATE)  # Pa
        wave = burst(SOURCE_EXPOSURE_DB - row["loss_db"])
        for at in blow_s:
            first = round((at + row["range_m"] / 1500.0 - 0.12) * RATE)
            pressure[first : first + wave.size] += wave
        (folder / "recordings" / f"R{k}").mkdir(parents=True)
        scale = 10 ** (END_TO_END_DB / 20) / 1e-6
        path = folder / "recordings" / f"R{k}" / "20310101T000000Z.wav"
        soundfile.write(path, pressure * scale, RATE, subtype="PCM_24")
        stations.append(
            f'[[stations]]\nid = "R{k}"\nsystem = "H"\nchannel = 1\nrecordings = "recordings/R{k}/*.wav"\n'
            'time_pattern = "%Y%m%dT%H%M%SZ"\n'
        )
    (folder / "campaign.toml").write_text(
        'format_version = 1\n[campaign]\nname = "Waveguide"\nsound_speed_m_s = 1500.0\n'
        f'[[systems]]\nid = "H"\nend_to_end_sensitivity_db = {END_TO_END_DB}\nstandard_uncertainty_db = 0.5\n'
        + "\n".join(stations)
    )
    (folder / "piles.csv").write_text(
        "pile_id,foundation_type,installation_method,diameter_m,water_depth_m,latitude_deg,longitude_deg,"
        "rated_energy_kj,abatement,start_utc,end_utc,prediction_id\n"
        "W1,monopile,impact,8,30,,,2000,none,2031-01-01T00:00:02Z,2031-01-01T00:00:28Z,\n"
    )
    rows = [f"W1,{i + 1},2031-01-01T00:00:{at:09.6f}Z,1000," for i, at in enumerate(blow_s)]
    (folder / "blows.csv").write_text("pile_id,blow_number,time_utc,energy_kj,penetration_m\n" + "\n".join(rows) + "\n")
    pairs = [f"W1,R{k},{row['range_m']:.0f},1" for k, row in table.iterrows()]
    text = "pile_id,station_id,range_m,standard_uncertainty_m\n" + "\n".join(pairs) + "\n"
    (folder / "ranges.csv").write_text(text)


def test_levels_and_fit_of_a_known_waveguide(tmp_path: Path) -> None:
    table = losses(250.0)
    assert list(table["range_m"]) == [750, 1500, 3000, 5000, 9000]
    write_campaign(tmp_path, table)
    outcome = pipeline.run(tmp_path, tmp_path / "results")
    assert outcome.unusable == {}
    strikes = pd.read_parquet(tmp_path / "results" / "strikes.parquet")
    bands = pd.read_parquet(tmp_path / "results" / "bands.parquet")
    assert strikes.groupby("station_id").size().tolist() == [N_BLOWS] * 5
    assert (strikes["blow_number"].notna()).all()
    means = strikes.groupby("range_m")["exposure_level_db"].mean()
    wanted = SOURCE_EXPOSURE_DB - table.set_index("range_m")["loss_db"]
    assert np.abs(means - wanted).max() < 0.02
    in_band = bands.merge(strikes[["strike_id", "station_id", "range_m"]]).groupby("range_m")
    # the burst's spectrum, 8 Hz wide (standard deviation), lies in the 250 Hz decidecade of 58 Hz
    assert np.abs(in_band["exposure_level_250hz_db"].mean() - wanted).max() < 0.03

    design = np.column_stack([np.ones(5), -np.log10(table["range_m"] / 750.0), -(table["range_m"] - 750.0) / 1000.0])
    level, spreading, attenuation = np.linalg.lstsq(design, wanted.to_numpy(), rcond=None)[0]
    fits = json.loads((tmp_path / "results" / "fit.json").read_text())["fits"]
    fit = next(
        f
        for f in fits
        if (f["quantity"], f["weighting"], f["band_hz"], f["model"])
        == ("exposure_level", "none", None, "spreading_attenuation")
    )
    found = {name: c["value"] for name, c in fit["coefficients"].items()}
    # one pile, one chain: every station has the same weight, so generalised least squares is least squares
    assert found["level_at_reference_db"] == pytest.approx(level, abs=0.03)
    assert found["spreading_coefficient_db_per_decade"] == pytest.approx(spreading, abs=0.1)
    assert found["attenuation_db_per_km"] == pytest.approx(attenuation, abs=0.02)


BAND_FITS = pd.read_csv(REFERENCE / "waveguide_band_fits.csv", comment="#")


@pytest.mark.parametrize(
    "row", BAND_FITS[BAND_FITS["model"] == "N and alpha"].to_dict("records"), ids=lambda row: f"{row['nominal_hz']}Hz"
)
def test_published_fits_of_the_band_losses(row: dict[str, float]) -> None:
    """waveguide_band_fits.csv through the product's fit, at losses by the scenario's mode solver."""
    ranges_m, loss_db = band_losses(int(row["n"]))
    document = fit_levels(pd.DataFrame({"range_m": ranges_m, "level_db": -loss_db}), 750.0)
    fit = next(f for f in document.fits if f.model == "spreading_attenuation")
    coefficients, tolerance = fit.coefficients, row["tolerance"]
    assert -coefficients.level_at_reference_db.value == pytest.approx(row["loss_at_750_m_db"], abs=tolerance)
    assert coefficients.spreading_coefficient_db_per_decade.value == pytest.approx(
        row["n_db_per_decade"], abs=tolerance
    )
    assert coefficients.attenuation_db_per_km.value == pytest.approx(row["alpha_db_per_km"], abs=tolerance)
