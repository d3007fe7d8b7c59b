"""Limits by the command line, from a campaign with known truth: exit status, table, page, a changed campaign."""

from __future__ import annotations

from pathlib import Path

import click.testing
import numpy as np
import pandas as pd
import pytest
import typer
from typer.testing import CliRunner

from reconcile import cli
from reconcile.running import provenance
from reconcile.running.outcome import Outcome
from tests.small_campaign import write_small_campaign

LIMITS = """
[settings]
criteria = ["fhwg-2008"]
effective_quiet_db = 130.0
[[limits]]
id = "exposure"
quantity = "exposure_level"
statistic = "exceeded_5"
level_db = {exposure}
range_m = 620
source = "invented"
[[limits]]
id = "peak"
quantity = "peak_level"
level_db = {peak}
range_m = 620
source = "invented"
[[periods]]
id = "May"
start_utc = "2025-05-01T00:00:00Z"
end_utc = "2025-06-01T00:00:00Z"
"""


def reconcile(*words: object) -> click.testing.Result:
    return CliRunner().invoke(cli.app, [str(word) for word in words])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small campaign with limits that are met, and its results."""
    folder = tmp_path_factory.mktemp("limits") / "campaign"
    write_small_campaign(folder)
    toml = folder / "campaign.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + LIMITS.format(exposure=150.0, peak=170.0), encoding="utf-8")
    done = reconcile("run", folder, "--no-hash", "--workers", 1, "--fail-over-limit")
    assert done.exit_code == 0, done.output
    return folder


def set_limits(folder: Path, *, exposure: float, peak: float) -> None:
    toml = folder / "campaign.toml"
    before, _ = toml.read_text(encoding="utf-8").split("\n[settings]", 1)
    toml.write_text(before + LIMITS.format(exposure=exposure, peak=peak), encoding="utf-8")


def test_what_is_measured_by_the_truth(folder: Path) -> None:
    """At 600 m a damped sine of 100 Pa · √(E/1 MJ): the limit's distance of 620 m is within a tenth.

    Exposure in closed form (A²τ/4)(ωτ)²/(1 + (ωτ)²); strikes of 1000 kJ and 20 kJ more each, of two piles.
    """
    table = pd.read_parquet(folder / "results/limits.parquet")
    row = table[(table.criteria_set == "exposure") & (table.station_id == "NEAR")].iloc[0]
    assert (row.pile_id, row.outcome, row.statistic) == ("P1", "below", "exceeded_5")
    w = 2 * np.pi * 200.0 * 0.015
    energies = pd.Series([(1000.0 + 20.0 * k) for k in range(int(row.n_strikes))])
    exposure = 1e4 * energies / 1000.0 * 0.015 / 4 * w**2 / (1 + w**2)
    levels = 10 * np.log10(exposure / 1e-12)
    assert row.measured_as_recorded_db == pytest.approx(np.quantile(levels, 0.95), abs=0.1)
    assert row.measured_db - row.measured_as_recorded_db == pytest.approx(15 * np.log10(600.0 / 620.0), abs=1e-6)
    far = table[(table.criteria_set == "exposure") & (table.pile_id == "P2")].iloc[0]
    assert (far.outcome, far.statement) == ("not_compared", "no hydrophone within 10 % of 620 m")
    sums = table[(table.criteria_set == "fhwg-2008") & (table.quantity == "cumulative_exposure_level")]
    assert set(sums.period) == {"utc_day"}
    assert len(sums) == 8  # two thresholds, two days, two stations
    exposure_table = pd.read_parquet(folder / "results/exposure.parquet")
    assert "May" in set(exposure_table.period_name.dropna())
    assert exposure_table[exposure_table.weighting == "none"].above_quiet_db.notna().any()


def test_the_page_shows_them(folder: Path) -> None:
    text = (folder / "results/report.html").read_text(encoding="utf-8")
    assert "Limits and thresholds" in text
    assert "measured level is" in text


def test_over_a_limit_the_status_is_five_where_asked(folder: Path) -> None:
    set_limits(folder, exposure=100.0, peak=170.0)
    assert reconcile("limits", folder / "results", "--campaign", folder).exit_code == 0
    done = reconcile("limits", folder / "results", "--fail-over-limit")
    assert done.exit_code == 5
    assert "Above a limit: exposure, P1, NEAR (exposure level, 100 dB): measured level is" in done.output


@pytest.mark.parametrize(("asked", "status"), [(False, 4), (True, 5)])
def test_five_outranks_four(asked: bool, status: int, capsys: pytest.CaptureFixture[str]) -> None:
    outcome = Outcome([], {"broken.wav": "it cannot be read"}, ["permit, P1: measured level is 1.0 dB above"])
    with pytest.raises(typer.Exit) as ended:
        cli._report(outcome, asked)
    assert ended.value.exit_code == status
    assert "broken.wav: it cannot be read" in capsys.readouterr().err


def test_what_is_over_a_limit_is_kept_when_outcomes_are_joined() -> None:
    joined = Outcome(["levels"]).then(Outcome(["limits"], {}, ["one"])).then(Outcome(["report"]))
    assert joined.over_limit == ["one"]


def test_a_new_fit_removes_them_and_a_new_comparison_does_not(folder: Path) -> None:
    """What a fleeing receptor hears rests on the fit."""
    results = folder / "results"
    assert (results / "limits.parquet").exists()
    provenance.begin(results, "compare")
    assert (results / "limits.parquet").exists()
    provenance.begin(results, "fit")
    assert not (results / "limits.parquet").exists()
