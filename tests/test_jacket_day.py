"""The jacket day by the command line, from short recordings: phases, counts and days against what was played."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reconcile.running.pipeline import run
from tests.jacket_day import ABATEMENT, PILES, Sizes, write_sound, write_tables

SIZES = Sizes(vibratory_s=12.0, gap_s=6.0, soft=(8,), full=(10, 9), restrike=(7, 5))
N_DRIVE, N_RESTRIKE = 27, 12
PHASES = {
    "J1": {("J1-I", "soft_start"): 8, ("J1-I", "full_drive"): 19, ("J1-R", "restrike"): 12},
    **{p: {(f"{p}-I", "soft_start"): 8, (f"{p}-I", "full_drive"): 19} for p in PILES[1:]},
}


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("jacket")
    write_tables(folder, SIZES)
    write_sound(folder, SIZES, 8000, np.random.default_rng(41))
    outcome = run(folder, folder / "results", workers=1)
    assert outcome.unusable == {}
    return folder / "results"


@pytest.fixture(scope="module")
def strikes(results: Path) -> pd.DataFrame:
    found = pd.read_parquet(results / "strikes.parquet")
    return found[found["pile_id"].notna()]


def test_each_strike_once_at_both_hydrophones_with_its_pile(strikes: pd.DataFrame) -> None:
    assert not strikes.duplicated(["strike_id", "station_id"]).any()
    counts = strikes.groupby(["pile_id", "station_id"]).size()
    assert counts.to_dict() == {
        (p, s): N_DRIVE + (N_RESTRIKE if p == "J1" else 0) for p in PILES for s in ("LOWER", "UPPER")
    }
    level = strikes.set_index(["strike_id", "station_id"])["exposure_level_db"].unstack()
    assert np.abs(level["LOWER"] - level["UPPER"] - 3.0).max() < 0.1


def test_phases_and_activities(strikes: pd.DataFrame) -> None:
    for pile_id, expected in PHASES.items():
        own = strikes[(strikes["pile_id"] == pile_id) & (strikes["station_id"] == "UPPER")]
        assert own.groupby(["activity_id", "phase"]).size().to_dict() == expected


def test_energies_are_those_of_the_increments(strikes: pd.DataFrame) -> None:
    for pile_id in PILES:
        own = strikes[(strikes["pile_id"] == pile_id) & (strikes["station_id"] == "LOWER")].sort_values("time_utc")
        increments = SIZES.increments(pile_id)
        assert own["energy_kj"].tolist() == [kj for n, kj in increments for _ in range(n)]
    assert strikes["flags"].map(lambda flags: "energy_of_increment" in flags).all()


def test_days_and_counts(results: Path) -> None:
    found = pd.read_parquet(results / "exposure.parquet")
    found = found[(found["weighting"] == "none") & (found["station_id"] == "LOWER")]
    days = found[found["period"] == "utc_day"].set_index(["start_utc", "installation_method"])
    first, second = pd.Timestamp("2031-07-08", tz="UTC"), pd.Timestamp("2031-07-09", tz="UTC")
    assert days.loc[(first, "impact"), ["n_logged", "n_strikes", "n_piles"]].tolist() == [108, 108, 4]
    assert days.loc[(second, "impact"), ["n_logged", "n_strikes", "n_piles"]].tolist() == [12, 12, 1]
    assert days.loc[(first, "vibratory"), "n_strikes"] == pytest.approx(4 * SIZES.vibratory_s, abs=4)
    assert (second, "vibratory") not in days.index
    piles = found[(found["period"] == "pile") & (found["installation_method"] == "impact")].set_index("pile_id")
    assert piles["n_logged"].to_dict() == {"J1": 39, "J2": 27, "J3": 27, "J4": 27}
    assert piles["recorded_fraction"].tolist() == [1.0] * 4
    vibrated = found[(found["period"] == "pile") & (found["installation_method"] == "vibratory")]
    assert vibrated["recorded_fraction"].tolist() == pytest.approx([1.0] * 4, abs=0.1)


def test_summary_never_mixes_methods_or_abatements(results: Path) -> None:
    found = pd.read_parquet(results / "summary.parquet")
    whole = found[(found["quantity"] == "exposure_level") & (found["weighting"] == "none") & found["band_hz"].isna()]
    upper = whole[whole["station_id"] == "UPPER"].set_index(["pile_id", "installation_method"])
    assert upper["abatement"].to_dict() == {(p, m): ABATEMENT[p] for p in PILES for m in ("impact", "vibratory")}
    assert upper.loc[("J1", "impact"), "n_strikes"] == N_DRIVE + N_RESTRIKE
    assert upper.loc[("J2", "impact"), "n_strikes"] == N_DRIVE
    assert upper.loc[("J2", "vibratory"), "n_strikes"] == pytest.approx(SIZES.vibratory_s, abs=1)


def test_the_table_of_phases_and_the_report(results: Path) -> None:
    found = pd.read_parquet(results / "phases.parquet")
    lower = found[(found["station_id"] == "LOWER") & (found["pile_id"] == "J1")]
    assert lower["activity_id"].tolist() == ["J1-V", "J1-I", "J1-I", "J1-R"]  # in order of time
    assert lower["n_strikes"].tolist()[1:] == [8, 19, 12]
    assert lower["median_energy_kj"].tolist()[1:] == [150.0, 600.0, 550.0]
    soft, full = lower["median_db"].tolist()[1:3]
    assert full - soft == pytest.approx(10 * np.log10(4), abs=0.1)
    page = (results / "report.html").read_text(encoding="utf-8")
    assert "J1-R" in page
    assert "Soft start" in page


def test_one_pile_alone_reads_its_drive_and_its_restrike(results: Path) -> None:
    """The three piles between are neither read nor counted."""
    alone = results.parent / "alone"
    run(results.parent, alone, piles=["J1"], workers=1)
    strikes = pd.read_parquet(alone / "strikes.parquet")
    assert set(strikes["pile_id"].dropna()) == {"J1"}
    assert strikes.groupby("station_id")["activity_id"].value_counts().loc["UPPER"].to_dict() == {
        "J1-I": 27,
        "J1-R": 12,
    }
    background = pd.read_parquet(alone / "background.parquet")
    assert set(background["start_utc"].dt.hour) == {19, 20, 0}
