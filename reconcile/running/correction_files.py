"""Reads what `pool` and `forecast` are given: results folders, correction files, predictions. All faults at once."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from reconcile.campaign.csv_tables import decode, read_bytes
from reconcile.campaign.faults import Findings, plain
from reconcile.running import provenance
from reconcile.running.levels_stage import CAMPAIGN
from reconcile.running.provenance import CORRECTION, FIT, MANIFEST
from reconcile.running.store import read_document, read_table
from reconcile.transfer import ProjectResults, Source
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.correction import CorrectionDocument
from reconcile.vocabulary.documents.fit import FitDocument
from reconcile.vocabulary.documents.pooling import PooledSource
from reconcile.vocabulary.errors import Fault, InputError, MachineError, ResultsError

_MOST_FAULTS = 10  # of one file that is not a correction


@dataclass(frozen=True, slots=True)
class Given:
    """A correction as read: the source, its digest, and the results folder it stands in, if it was given as one."""

    source: Source
    digest: str
    folder: Path | None

    @property
    def entry(self) -> PooledSource:
        """As a pooled file names it."""
        document = self.source.document
        names = document.projects or (document.project,)
        file = "/".join(Path(self.source.file).parts[-2:])
        return PooledSource(file=file, sha256=self.digest, projects=names)


def read_correction(path: Path, findings: Findings) -> Given | None:
    """A results folder's correction or a correction file; None, with every fault of it, where it is none."""
    folder = path if path.is_dir() else None
    file = path / CORRECTION if folder else path
    if folder is not None and _unfinished(folder, findings):
        return None
    if not file.is_file():
        hint = "run `reconcile compare` on this folder" if folder and (folder / CAMPAIGN).exists() else ""
        findings.fault(str(file), "", "no such file", "a results folder with correction.json, or a correction", hint)
        return None
    try:
        document = CorrectionDocument.model_validate_json(file.read_bytes())
    except ValidationError as error:
        for problem in error.errors()[:_MOST_FAULTS]:
            where = ".".join(str(part) for part in problem["loc"])
            findings.fault(str(file), where, plain(problem["msg"]), "a correction, as `compare` and `pool` write it")
        return None
    except OSError as error:
        raise MachineError(str(file), error.strerror or str(error)) from error
    if not document.corrections:
        findings.fault(str(file), "corrections", "no correction", "at least one")
        return None
    return Given(Source(str(file), document), provenance.sha256(file), folder)


def _unfinished(folder: Path, findings: Findings) -> bool:
    """Whether a results folder says of itself that a command was interrupted in it."""
    if not (folder / MANIFEST).exists():
        return False
    try:
        complete = provenance.read_manifest(folder).complete
    except ResultsError as error:
        findings.faults.extend(error.faults)
        return True
    if not complete:
        findings.fault(str(folder / MANIFEST), "complete", "false", "a finished run", "run the command again")
    return not complete


def measured_results(given: Sequence[Given], findings: Findings) -> tuple[list[ProjectResults], list[str]]:
    """The measured levels of the results folders among what was given, and names of those without any."""
    projects, without = [], []
    for each in given:
        if each.folder is None or not (each.folder / CAMPAIGN).exists():
            without.append(each.source.document.project)
            continue
        try:
            projects.append(_measured(each.folder))
        except InputError as error:
            findings.faults.extend(error.faults)
    return projects, without


def _measured(folder: Path) -> ProjectResults:
    return ProjectResults(
        campaign=read_document(folder / CAMPAIGN, Campaign, "levels"),
        fit=read_document(folder / FIT, FitDocument, "fit"),
        summary=read_table(folder, "summary", "levels"),
        exposure=read_table(folder, "exposure", "levels"),
    )


def cells_of(path: Path) -> tuple[list[str], list[list[str]]]:
    """Header and cells of an input table as they stand in it, rows without anything left out.

    The table has been read and checked before: here it is only carried along.
    """
    findings = Findings()
    content = read_bytes(path, findings)
    text = None if content is None else decode(content, path.name, findings)
    findings.raise_if_any()
    rows = [cells for cells in csv.reader(io.StringIO(text or "", newline="")) if any(c.strip() for c in cells)]
    return [name.strip() for name in rows[0]], rows[1:]


def unwritable(out: Path, inputs: Sequence[Path], needed: str) -> list[Fault]:
    """Why a file cannot be written where it was asked for: a folder, or a file that is read."""
    if out.is_dir():
        return [Fault(str(out), "--out", "a folder", needed)]
    read = {(path / CORRECTION if path.is_dir() else path).resolve() for path in inputs}
    return [Fault(str(out), "--out", "a file that is read", "another name")] if out.resolve() in read else []
