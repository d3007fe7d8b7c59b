"""What is written beside the page for other programs: workbook, map layers, description of all columns, CSV."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.dataset

from reconcile.report import Evidence
from reconcile.report.csv_tables import csv_chunks
from reconcile.report.data_package import data_package
from reconcile.report.figure_files import figure_files
from reconcile.report.findings import findings
from reconcile.report.geopackage import geopackage
from reconcile.report.layers import layers
from reconcile.report.ro_crate import ro_crate
from reconcile.report.verification_page import verification_pages
from reconcile.report.workbook import Sheet, workbook
from reconcile.running.provenance import (
    CRATE,
    CSV,
    DATA_PACKAGE,
    FIGURES,
    GEOPACKAGE,
    LAYERS,
    MANIFEST,
    ON_REQUEST,
    OUTPUTS,
    RECORD_CSV,
    VERIFICATION,
    WORKBOOK,
    output_files,
)
from reconcile.running.store import replacing, write_bytes, write_text
from reconcile.vocabulary.errors import Fault, ResultsError


def write_exports(
    results: Path, evidence: Evidence, shown: Mapping[str, Any], with_csv: bool, with_geopackage: bool = False
) -> list[Path]:
    """Write all of it from a results folder that `evidence` was read from; returns the files.

    `shown` are the contents of the page, whose figures are written as files too. CSV and GeoPackage are written where
    asked for. Raises ResultsError where a table is damaged, MachineError where the machine
    refuses.
    """
    tables = {name: _dataset(results, name) for name in table_names(results)}
    written = [results / WORKBOOK]
    sentences = [f"{found.prediction_id}: {found.subject}. {found.sentences[0]}" for found in findings(evidence.biases)]
    sheets = [Sheet(name, table.schema, table.count_rows(), table.head) for name, table in tables.items()]
    with replacing(results / WORKBOOK) as temporary:
        temporary.write_bytes(workbook(evidence.campaign.name, sentences, sheets))
    for name, text in layers(evidence.campaign, evidence.fit, evidence.bias).items():
        written.append(results / LAYERS / name)
        write_text(written[-1], text)
    if with_geopackage:
        written.append(results / GEOPACKAGE)
        write_bytes(written[-1], [geopackage(evidence.campaign, evidence.fit, evidence.bias)])
    for name, text in figure_files(shown).items():
        written.append(results / FIGURES / name)
        write_text(written[-1], text)
    for name, table in tables.items() if with_csv else ():
        written.append(results / CSV / f"{name}.csv")
        with replacing(written[-1]) as temporary, temporary.open("wb") as stream:
            stream.writelines(csv_chunks(table.schema, table.to_batches()))
    for name, text in verification_pages(evidence).items():
        written.append(results / VERIFICATION / name)
        write_text(written[-1], text)
    written.append(results / DATA_PACKAGE)
    write_text(written[-1], _described(results, evidence, {name: table.schema for name, table in tables.items()}))
    written.append(results / CRATE)
    names = [p.relative_to(results).as_posix() for p in output_files(results) if p != results / CRATE]
    write_text(written[-1], ro_crate(evidence.campaign.name, evidence.manifest, [*names, MANIFEST]))
    return written


def table_names(results: Path) -> tuple[str, ...]:
    """The tables of a results folder, in the order in which the stages make them."""
    declared = [name.removesuffix(".parquet") for names in OUTPUTS.values() for name in names]
    there = sorted(path.stem for path in results.glob("*.parquet"))
    return tuple(sorted(there, key=lambda name: declared.index(name) if name in declared else len(declared)))


def _dataset(results: Path, name: str) -> pyarrow.dataset.Dataset:
    path = results / f"{name}.parquet"
    try:
        return pyarrow.dataset.dataset(path, format="parquet")
    except (OSError, pa.ArrowException) as error:
        raise ResultsError([Fault(str(path), "", f"a damaged table ({error})", "the table as it was made")]) from error


def _described(results: Path, evidence: Evidence, schemas: dict[str, pa.Schema]) -> str:
    paths = {f"{CSV}/{name}.csv": name for name in schemas} | {RECORD_CSV: "record"}
    csv_tables = {path: name for path, name in paths.items() if (results / path).exists()}
    return data_package(evidence.campaign.name, schemas, csv_tables, list(_other_files(results)))


def _other_files(results: Path) -> Iterator[str]:
    for names in (*OUTPUTS.values(), ON_REQUEST):
        for name in names:
            described = name.endswith(".parquet") or name in (DATA_PACKAGE, RECORD_CSV)
            if not described and (name == CRATE or (results / name).exists()):
                yield name
    yield from sorted(f"{FIGURES}/{path.name}" for path in (results / FIGURES).glob("*.svg"))
    yield from sorted(f"{VERIFICATION}/{path.name}" for path in (results / VERIFICATION).glob("*.html"))
    yield MANIFEST
