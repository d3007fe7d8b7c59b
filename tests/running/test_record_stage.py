"""The record of each pile in a results folder: its columns, its place in manifest and description, single piles."""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path

import pandas as pd
import pytest

from reconcile.running import pipeline
from reconcile.running.provenance import VERIFICATION
from tests.small_campaign import SmallCampaign, write_small_campaign

FIRST_COLUMNS = (
    "pile_id", "mooring_id", "hydrophone_depth_m", "range_m", "quantity", "statistic", "value_db", "uncertainty_db",
    "n", "recorded_fraction",
)  # fmt: skip


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> SmallCampaign:
    return write_small_campaign(tmp_path_factory.mktemp("record") / "campaign", predictions=True)


@pytest.fixture(scope="module")
def results(small: SmallCampaign) -> Path:
    folder = small.folder.parent / "results"
    pipeline.run(small.folder, folder, workers=1)
    return folder


def test_the_flat_record_is_the_table(results: Path) -> None:
    with (results / "record.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    assert tuple(rows[0][:10]) == FIRST_COLUMNS
    table = pd.read_parquet(results / "record.parquet")
    assert rows[0] == list(table.columns)
    assert len(rows) == len(table) + 1
    assert {row[0] for row in rows[1:]} == {"P1", "P2"}


def test_record_and_pages_are_in_the_manifest_and_described(results: Path) -> None:
    outputs = json.loads((results / "manifest.json").read_text(encoding="utf-8"))["outputs"]
    package = json.loads((results / "datapackage.json").read_text(encoding="utf-8"))
    described = {resource["path"]: resource for resource in package["resources"]}
    for name in ("record.csv", f"{VERIFICATION}/P1.html", f"{VERIFICATION}/P2.html", "insertion_loss.parquet"):
        assert outputs[name] == hashlib.sha256((results / name).read_bytes()).hexdigest()
        assert name in described
    fields = [field["name"] for field in described["record.csv"]["schema"]["fields"]]
    assert tuple(fields[:10]) == FIRST_COLUMNS


def test_one_pile_while_the_season_goes_on(small: SmallCampaign) -> None:
    folder = small.folder.parent / "one"
    pipeline.run(small.folder, folder, piles=["P2"], workers=1)
    assert [path.name for path in sorted((folder / VERIFICATION).iterdir())] == ["P2.html"]
    assert set(pd.read_parquet(folder / "record.parquet")["pile_id"]) == {"P2"}


def test_pages_of_an_earlier_state_are_removed(small: SmallCampaign, results: Path) -> None:
    pipeline.fit(results, None)
    assert not (results / "record.csv").exists()
    assert not list((results / VERIFICATION).glob("*.html"))
    pipeline.run(small.folder, results, workers=1)
    assert (results / VERIFICATION / "P1.html").exists()
