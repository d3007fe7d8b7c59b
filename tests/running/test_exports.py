"""What `report` writes beside the page: from a whole run with names that mean harm, in the manifest, renewed."""

from __future__ import annotations

import csv
import hashlib
import json
from pathlib import Path

import openpyxl
import pandas as pd
import pyarrow.parquet as pq
import pytest

from reconcile.running import pipeline
from reconcile.running.exports import table_names
from tests.small_campaign import write_small_campaign

EVIL = "=CMD|'<script>alert(1)</script>"
EXPORTS = {"results.xlsx", "datapackage.json", "layers/stations.geojson", "layers/piles.geojson"}
EXPORTS |= {"layers/threshold_circles.geojson", "record.csv", "report.html", "ro-crate-metadata.json"}


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run whose campaign, abatement and prediction have names that mean harm, with CSV."""
    folder = tmp_path_factory.mktemp("exports")
    small = write_small_campaign(folder / "campaign", files=2, predictions=True)
    toml = small.folder / "campaign.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace("Small campaign", EVIL), encoding="utf-8")
    piles = (small.folder / "piles.csv").read_text(encoding="utf-8")
    (small.folder / "piles.csv").write_text(piles.replace(",none,", f",{EVIL},"), encoding="utf-8")
    predictions = (small.folder / "predictions.csv").read_text(encoding="utf-8")
    predictions = predictions.replace(",model 1,none", f",{EVIL},{EVIL}")
    (small.folder / "predictions.csv").write_text(predictions, encoding="utf-8")
    pipeline.run(small.folder, folder / "results", workers=1)
    pipeline.report(folder / "results", with_csv=True)
    return folder / "results"


def written(results: Path) -> dict[str, bytes]:
    names = [*EXPORTS, *(f"csv/{name}.csv" for name in table_names(results))]
    for folder in ("figures", "verification"):
        made = [f"{folder}/{path.name}" for path in sorted((results / folder).iterdir())]
        assert made
        names += made
    return {name: (results / name).read_bytes() for name in names}


def test_all_is_in_the_manifest_with_its_digest(results: Path) -> None:
    outputs = json.loads((results / "manifest.json").read_text(encoding="utf-8"))["outputs"]
    for name, content in written(results).items():
        assert outputs[name] == hashlib.sha256(content).hexdigest(), name


def test_the_same_bytes_again(results: Path) -> None:
    before = written(results)
    pipeline.report(results, with_csv=True)
    assert written(results) == before


def test_every_table_is_a_sheet_and_a_csv_file(results: Path) -> None:
    names = [path.stem for path in results.glob("*.parquet")]
    assert len(names) > 6
    book = openpyxl.load_workbook(results / "results.xlsx", read_only=True)
    assert set(book.sheetnames) == {"about", "columns", *names}
    for name in names:
        table = pd.read_parquet(results / f"{name}.parquet")
        with (results / "csv" / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
            rows = list(csv.reader(stream))
        assert rows[0] == list(table.columns)
        assert len(rows) == len(table) + 1


def test_names_that_mean_harm_are_texts(results: Path) -> None:
    compared = pd.read_parquet(results / "comparison.parquet")
    assert compared["abatement"].eq(EVIL).all()  # it came so far
    book = openpyxl.load_workbook(results / "results.xlsx")
    cells = [cell for page in book.worksheets for row in page.iter_rows() for cell in row if cell.value is not None]
    assert any(cell.value == EVIL for cell in cells)
    assert all(cell.data_type != "f" for cell in cells)
    for name, content in written(results).items():
        text = "" if name.endswith(".xlsx") else content.decode("utf-8")
        if name.endswith(".csv"):
            found = [cell for row in csv.reader(text.splitlines()) for cell in row]
            assert not any(cell.startswith("=") for cell in found), name
        elif name.endswith((".html", ".svg")):
            assert "<script>alert" not in text, name
        else:
            assert not set("<>") & set(text), name
    with (results / "csv" / "comparison.csv").open(encoding="utf-8", newline="") as stream:
        assert next(csv.DictReader(stream))["abatement"] == f"'{EVIL}"


def test_the_data_package_describes_every_column(results: Path) -> None:
    package = json.loads((results / "datapackage.json").read_text(encoding="utf-8"))
    assert package["title"] == EVIL
    resources = {resource["name"]: resource for resource in package["resources"]}
    for path in results.glob("*.parquet"):
        schema = pq.read_schema(path)
        for resource in (resources[path.stem], resources[f"{path.stem}-csv"]):
            assert (results / resource["path"]).is_file()
            fields = resource["schema"]["fields"]
            assert [field["name"] for field in fields] == schema.names
            for field, column in zip(fields, schema, strict=True):
                assert field["description"].startswith(column.metadata[b"meaning"].decode()), column.name
                assert field.get("unit", "") == column.metadata[b"unit"].decode()
    kinds = {f["name"]: f["type"] for f in resources["strikes"]["schema"]["fields"]}
    expected = {"strike_id": "string", "time_utc": "datetime", "blow_number": "integer", "range_m": "number"}
    assert expected.items() <= kinds.items()
    assert (kinds["flags"], kinds["start_sample"]) == ("array", "integer")
    listed = {resource["path"] for resource in package["resources"]}
    assert {"fit.json", "bias.json", "correction.json", "report.html", "manifest.json"} <= listed
    assert all((results / path).is_file() for path in listed)


def test_an_earlier_stage_removes_what_it_makes_stale(results: Path) -> None:
    pipeline.fit(results, None)
    assert not any((results / name).exists() for name in EXPORTS)
    assert not list((results / "csv").glob("*"))
    assert not list((results / "figures").glob("*"))
    pipeline.compare(results, None)
    pipeline.record(results, None)
    pipeline.report(results)
    assert all((results / name).exists() for name in EXPORTS)
    package = json.loads((results / "datapackage.json").read_text(encoding="utf-8"))
    assert not any(resource["name"].endswith("-csv") for resource in package["resources"])
