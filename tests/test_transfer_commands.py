"""`pool` and `forecast` from the command line, on tiny results folders and on files: files made, faults, statuses."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.command_line import Command
from tests.small_campaign import write_small_campaign
from tests.transfer.invented_projects import correction, document

COVARIANCE = np.array([[0.5, 0.2], [0.2, 0.9]])
HEADER = (
    "prediction_id,quantity,weighting,band_hz,range_m,level_db,standard_deviation_db,statistic,energy_kj,model_id,"
    "abatement,foundation_type,installation_method,remark"
)


def _write(folder: Path, name: str, offset_db: float, **changes: object) -> Path:
    path = folder / f"{name}.json"
    text = document(name, correction(offset_db, 2.0, covariance=COVARIANCE, **changes)).model_dump_json()
    path.write_text(text, encoding="utf-8")
    return path


def _predictions(folder: Path) -> Path:
    rows = [f"N,exposure_level,none,,{r},{178 - 15 * np.log10(r / 750):.2f},2,median,1000,M1,none,monopile,impact,kept"
            for r in (200, 750, 3000)]  # fmt: skip
    rows.append("N,peak_level,none,,750,200,2,median,1000,M1,none,monopile,impact,")
    path = folder / "predictions.csv"
    path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    return path


def test_two_results_folders_to_a_forecast(reconcile: Command, tmp_path: Path) -> None:
    """The whole way: recordings of two small campaigns, their results pooled, and a third prediction forecast."""
    folders = []
    for i, name in enumerate(("First", "Second")):
        small = write_small_campaign(tmp_path / name, files=1, predictions=True, seed=i + 1)
        toml = small.folder / "campaign.toml"
        toml.write_text(toml.read_text(encoding="utf-8").replace("Small campaign", name), encoding="utf-8")
        folders.append(tmp_path / f"results{i}")
        assert reconcile("run", small.folder, "--out", folders[-1], "--workers", 1, "--no-hash").status == 0
    pooled = tmp_path / "out" / "pooled.json"
    ended = reconcile("pool", *folders, "--out", pooled)
    assert (ended.status, ended.err) == (0, "")
    made = json.loads(pooled.read_text(encoding="utf-8"))
    assert made["projects"] == ["First", "Second"]
    assert made["corrections"][0]["n_projects"] == 2
    assert made["corrections"][0]["spread_between_projects_db"] > 0
    assert [source["file"] for source in made["sources"]] == ["results0/correction.json", "results1/correction.json"]
    assert {p.name for p in pooled.parent.iterdir()} == {"pooled.json", "pooled.html", "pooled_foundations.csv"}
    foundations = pd.read_csv(pooled.parent / "pooled_foundations.csv")
    assert foundations["project"].tolist() == ["First", "Second"]
    assert foundations["diameter_m"].tolist() == [8.0, 8.0]
    assert foundations["exposure_level_db"].notna().all()
    given = tmp_path / "First" / "predictions.csv"  # by the same method: model 1
    ended = reconcile("forecast", pooled, given, "--out", tmp_path / "forecast")
    assert (ended.status, ended.err) == (0, "")
    table = pd.read_csv(tmp_path / "forecast" / "forecast.csv")
    added = made["corrections"][0]["coefficients"]["offset_db"]["value"]
    assert len(table) == 4
    assert table["corrected_level_db"].notna().all()
    slope = made["corrections"][0]["coefficients"]["spreading_db_per_decade"]["value"]
    reference = made["corrections"][0]["reference_range_m"]
    wanted = table["level_db"] + added + slope * np.log10(table["range_m"] / reference)
    assert table["corrected_level_db"].to_numpy() == pytest.approx(wanted.to_numpy(), abs=0.002)


def test_forecast_writes_the_input_s_columns_and_its_own(reconcile: Command, tmp_path: Path) -> None:
    given = _predictions(tmp_path)
    ranges = tmp_path / "ranges.csv"
    ranges.write_text(
        "prediction_id,quantity,weighting,threshold_db,range_m,model_id,abatement,statistic\n"
        "N,exposure_level,none,170,2560,M1,none,median\nN,peak_level,none,190,900,M1,none,median\n",
        encoding="utf-8",
    )
    out = tmp_path / "forecast"
    ended = reconcile("forecast", _write(tmp_path, "A", -4.0), given, "--out", out, "--ranges", ranges)
    assert (ended.status, ended.err) == (0, "")
    assert "3 of 4 levels corrected; 1 outside the scope, 1 without a correction" in ended.out
    assert (
        "The corrections rest on one project: the spread between projects is not known and a prior stands in for it"
        in ended.out
    )
    table = pd.read_csv(out / "forecast.csv")
    assert list(table.columns[:14]) == HEADER.split(",")
    assert table["remark"].tolist()[:3] == ["kept"] * 3
    assert {"corrected_level_db", "lower_95_db", "upper_95_db", "flags"} <= set(table.columns)
    assert table["corrected_level_db"].tolist()[1] == 174.0
    assert table["flags"].tolist() == ["outside_scope;one_project", "one_project", "one_project", "no_correction"]
    assert np.isnan(table["corrected_level_db"].tolist()[3])
    distances = pd.read_csv(out / "forecast_ranges.csv")
    assert {"corrected_range_m", "lower_95_m", "upper_95_m", "flags"} <= set(distances.columns)
    assert distances["corrected_range_m"].notna().tolist() == [True, False]
    page = (out / "forecast.html").read_text(encoding="utf-8")
    assert "http" not in page.replace("http://www.w3.org", "")
    again = reconcile("forecast", tmp_path / "A.json", out / "forecast.csv", "--out", tmp_path / "again")
    assert again.status == 0  # its own columns give way
    assert list(pd.read_csv(tmp_path / "again" / "forecast.csv").columns) == list(table.columns)


def test_pool_says_every_fault_at_once(reconcile: Command, tmp_path: Path) -> None:
    good, other = _write(tmp_path, "A", -4.0), _write(tmp_path, "B", -2.0, model_id="M2")
    twice = tmp_path / "twice.json"
    twice.write_bytes(good.read_bytes())
    bias = tmp_path / "bias.json"
    bias.write_text('{"format_version": 1, "biases": []}', encoding="utf-8")
    text = tmp_path / "text.json"
    text.write_text("no JSON", encoding="utf-8")
    (tmp_path / "empty").mkdir()
    gone = tmp_path / "gone.json"
    out = tmp_path / "pooled.json"
    ended = reconcile("pool", good, twice, other, bias, text, tmp_path / "empty", gone, "--out", out)
    assert ended.status == 3
    assert ended.out == ""
    for words in (
        "twice.json, project: found the project 'A' again",
        "B.json, model_id: found M2",
        "bias.json, project: found Field required",
        "bias.json, biases: found Extra inputs are not permitted",
        "text.json: found Invalid JSON",
        "empty/correction.json: found no such file",
        "gone.json: found no such file",
    ):
        assert words in ended.err, words
    assert not out.exists()


@pytest.mark.parametrize("names", [["A"], ["A", "J"]], ids=["one", "nothing_in_common"])
def test_nothing_to_pool_is_3(reconcile: Command, tmp_path: Path, names: list[str]) -> None:
    kinds = {"A": "monopile", "J": "jacket"}
    paths = [_write(tmp_path, name, -1.0, foundation_type=kinds[name]) for name in names]
    ended = reconcile("pool", *paths, "--out", tmp_path / "pooled.json")
    assert ended.status == 3
    assert "two projects" in ended.err


def test_what_is_read_is_not_written_over(reconcile: Command, tmp_path: Path) -> None:
    a, b = _write(tmp_path, "A", -4.0), _write(tmp_path, "B", -2.0)
    assert "a file that is read" in reconcile("pool", a, b, "--out", a).err
    assert "a folder" in reconcile("pool", a, b, "--out", tmp_path).err
    assert reconcile("forecast", a, _predictions(tmp_path), "--out", b).status == 3


def test_forecast_says_every_fault_at_once(reconcile: Command, tmp_path: Path) -> None:
    given = _predictions(tmp_path)
    given.write_text(given.read_text(encoding="utf-8").replace("exposure_level,none,,750", "exposure_levl,none,,-3"))
    ranges = tmp_path / "ranges.csv"
    ranges.write_text("prediction_id,quantity,weighting,range_m\nN,exposure_level,none,2560\n", encoding="utf-8")
    ended = reconcile("forecast", tmp_path / "none.json", given, "--out", tmp_path / "f", "--ranges", ranges)
    assert ended.status == 3
    for words in ("none.json: found no such file", "did you mean 'exposure_level'?", "column range_m: found '-3'",
                  "ranges.csv, header: found no column threshold_db"):  # fmt: skip
        assert words in ended.err, words
    assert not (tmp_path / "f").exists()


def test_an_unfinished_results_folder_is_refused(reconcile: Command, tmp_path: Path) -> None:
    folder = tmp_path / "results"
    folder.mkdir()
    (folder / "manifest.json").write_text('{"complete": false}', encoding="utf-8")
    _write(tmp_path, "A", -4.0).rename(folder / "correction.json")
    ended = reconcile("pool", folder, _write(tmp_path, "B", -2.0), "--out", tmp_path / "pooled.json")
    assert ended.status == 3
    assert "manifest.json, complete: found false" in ended.err


@pytest.mark.parametrize("words", [["pool", "a"], ["pool", "--out", "x"], ["forecast", "a"], ["forecast", "a", "b"]])
def test_wrong_usage_is_2(reconcile: Command, words: list[str]) -> None:
    assert reconcile(*words).status == 2
