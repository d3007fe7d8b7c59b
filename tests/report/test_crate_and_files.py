"""RO-Crate, GeoPackage, PDF and figures as files: readable by others, inert, the same each time."""

from __future__ import annotations

import builtins
import json
import re
import sqlite3
import struct
import zlib
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from reconcile.report import contents, geopackage, pdf, rendered
from reconcile.report.figure_files import figure_files
from reconcile.report.ro_crate import ro_crate
from reconcile.vocabulary.errors import InputError
from tests.report import small_evidence
from tests.report.test_layers import placed
from tests.report.test_page import HOSTILE

FILES = ["report.html", "strikes.parquet", "manifest.json", "layers/piles.geojson", "verification/P 1.html"]


def crate(names: dict[str, str] | None = None) -> dict[str, Any]:
    evidence = small_evidence.whole(names)
    return dict(json.loads(ro_crate(evidence.campaign.name, evidence.manifest, FILES)))


def test_the_crate_is_as_ro_crate_1_1_asks() -> None:
    """RO-Crate Metadata Specification 1.1, sections "RO-Crate Structure" and "Root Data Entity"."""
    found = crate()
    assert found["@context"] == "https://w3id.org/ro/crate/1.1/context"
    by_id = {entity["@id"]: entity for entity in found["@graph"]}
    assert len(by_id) == len(found["@graph"])
    descriptor, root = by_id["ro-crate-metadata.json"], by_id["./"]
    assert descriptor["@type"] == "CreativeWork"
    assert descriptor["about"] == {"@id": "./"}
    assert descriptor["conformsTo"] == {"@id": "https://w3id.org/ro/crate/1.1"}
    assert root["@type"] == "Dataset"
    assert {"name", "description", "datePublished", "license"} <= set(root)
    assert [by_id[part["@id"]]["name"] for part in root["hasPart"]] == sorted(FILES)
    assert all(by_id[part["@id"]]["@type"] == "File" for part in root["hasPart"])
    assert by_id["verification/P%201.html"]["encodingFormat"] == "text/html"


def test_the_crate_says_what_was_read_by_what() -> None:
    by_id = {entity["@id"]: entity for entity in crate()["@graph"]}
    run = by_id["#run"]
    manifest = small_evidence.whole().manifest
    inputs = {by_id[i["@id"]]["name"]: by_id[i["@id"]].get("identifier") for i in run["object"]}
    assert inputs == {name: f"sha256:{digest}" if digest else None for name, digest in manifest.inputs.items()}
    assert by_id[run["instrument"]["@id"]]["softwareVersion"] == manifest.versions.get("reconcile", "not known")


def test_hostile_names_are_inert_in_the_crate() -> None:
    evidence = small_evidence.whole(HOSTILE)
    text = ro_crate(evidence.campaign.name, evidence.manifest, FILES)
    assert not set("<>&") & set(text)
    assert {e["@id"]: e for e in json.loads(text)["@graph"]}["./"]["name"] == HOSTILE["campaign"]


def test_a_polygon_in_well_known_binary() -> None:
    """Written out by hand after OGC 06-103r4, 8.2: byte order, type 3, one ring, four points."""
    ring = [[0.0, 0.0], [2.0, 0.0], [0.0, 3.0], [0.0, 0.0]]
    by_hand = b"\x01\x03\x00\x00\x00\x01\x00\x00\x00\x04\x00\x00\x00" + struct.pack("<8d", 0, 0, 2, 0, 0, 3, 0, 0)
    assert geopackage.well_known({"type": "Polygon", "coordinates": [ring]}) == by_hand


def test_the_geopackage_holds_the_layers(tmp_path: Path) -> None:
    pytest.importorskip("pyogrio")
    evidence = placed(HOSTILE)
    made = geopackage.geopackage(evidence.campaign, evidence.fit, evidence.bias)
    assert made == geopackage.geopackage(evidence.campaign, evidence.fit, evidence.bias)
    path = tmp_path / "layers.gpkg"
    path.write_bytes(made)
    with sqlite3.connect(path) as database:
        tables = {name for (name,) in database.execute("select table_name from gpkg_contents")}
        assert {"stations", "piles", "threshold_circles"} <= tables
        piles = {name for (name,) in database.execute("select pile_id from piles")}
        assert piles == {pile.pile_id for pile in evidence.campaign.piles}
        systems = database.execute("select distinct srs_id from gpkg_geometry_columns").fetchall()
        assert systems == [(4326,)]


@pytest.mark.parametrize(("module", "call"), [("weasyprint", "pdf"), ("pyogrio", "geopackage")])
def test_a_missing_library_is_named_with_its_extra(monkeypatch: pytest.MonkeyPatch, module: str, call: str) -> None:
    original = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name.partition(".")[0] == module:
            raise ImportError(name)
        return original(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(InputError, match=r"reconcile\[(pdf|gis)\]"):
        _ = pdf.pdf("<p>x") if call == "pdf" else geopackage.library()


def test_the_pdf_is_tagged_and_the_same_each_time() -> None:
    pytest.importorskip("weasyprint")
    evidence = small_evidence.levels_only()
    html = rendered(contents(evidence), for_paper=True)
    made = pdf.pdf(html)
    assert made.startswith(b"%PDF-")
    objects = b"".join(_inflated(packed) for packed in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", made, re.DOTALL))
    assert b"/MarkInfo" in made + objects
    assert b"/StructTreeRoot" in made + objects
    assert pdf.pdf(html) == made


def _inflated(stream: bytes) -> bytes:
    """What a stream of the file holds; nothing where it is not packed by zlib."""
    try:
        return zlib.decompress(stream)
    except zlib.error:
        return b""


def test_figures_as_files() -> None:
    files = figure_files(contents(small_evidence.whole(HOSTILE)))
    assert {"level_range-1-1.svg", "bias_figures-1-1.svg", "histories-1-1.svg", "spectra-1-1.svg"} <= set(files)
    for text in files.values():
        root = ElementTree.fromstring(text)
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert root[0].tag.endswith("title")
        assert not list(root.iter("{http://www.w3.org/2000/svg}script"))
