"""`verify`: a results folder held against its manifest, its inputs, and a second run."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from reconcile.audit.at_hand import AtHand, at_hand, manifest_of
from reconcile.audit.comparing import change_in_words, changed_leaves, compare_tables
from reconcile.audit.finding import AuditReport
from reconcile.audit.recompute import folder_beside, recompute
from reconcile.running.progress import shown
from reconcile.running.provenance import (
    MANIFEST,
    ON_REQUEST,
    OUTPUTS,
    output_files,
    seal_holds,
    sha256,
    table_inputs,
    versions,
)
from reconcile.vocabulary.documents.flat import Leaf, flat_json
from reconcile.vocabulary.documents.manifest import Manifest
from reconcile.vocabulary.errors import InputError

_MOST_NAMED = 8  # columns or values of one file


def verify(
    results: Path, recordings: str | None = None, campaign: Path | None = None, workers: int | None = None
) -> AuditReport:
    """Hold a results folder against its manifest, and where the recordings are at hand against a second run.

    `recordings` is the campaign folder, or a folder (or its URL) of the recordings alone, `campaign` then the
    campaign's. Raises ResultsError where there is no manifest or a folder named is not there.
    """
    report = AuditReport()
    hand = at_hand(results, recordings, campaign)
    try:
        manifest = manifest_of(results)
    except InputError as error:
        if not (results / MANIFEST).is_file():
            raise
        report.differing(f"{MANIFEST}: altered, it cannot be read: {error.faults[0].found}")
        return _with_verdict(report)
    _check_manifest(results, manifest, report)
    _check_outputs(results, manifest, report)
    _check_inputs(manifest, hand, report)
    if recordings is None:
        report.lines.append("Nothing was recomputed: give --recordings CAMPAIGN to have it done")
    elif hand.campaign is None:
        report.differing("Nothing could be recomputed: no campaign.toml there; give --campaign CAMPAIGN as well")
    else:
        _check_again(results, manifest, hand, report, workers)
    return _with_verdict(report)


def _with_verdict(report: AuditReport) -> AuditReport:
    n = report.n_differences
    verdict = f"{n} {'difference' if n == 1 else 'differences'}" if n else "All agrees"
    report.lines.insert(0, verdict)
    return report


def _check_manifest(results: Path, manifest: Manifest, report: AuditReport) -> None:
    if not manifest.complete:
        report.differing(f"{MANIFEST}: incomplete: a command is changing the folder, or was interrupted")
    elif manifest.digest is None:
        report.lines.append(f"{MANIFEST}: carries no digest of itself; a change in it could not be seen")
    elif not seal_holds((results / MANIFEST).read_bytes(), manifest.digest):
        report.differing(f"{MANIFEST}: altered: it is not the text that its digest was taken of")
    done = ", ".join(stage.stage for stage in manifest.stages) or "none"
    made_by = manifest.versions.get("reconcile", "an unknown version")
    report.lines.append(f"Stages done: {done}; by reconcile {made_by}")


def _check_outputs(results: Path, manifest: Manifest, report: AuditReport) -> None:
    there = {path.relative_to(results).as_posix(): path for path in output_files(results)}
    agreeing = 0
    for name, digest in sorted(manifest.outputs.items()):
        if name not in there:
            report.differing(f"output {name}: missing")
        elif digest is None:
            report.lines.append(f"output {name}: not hashed, it cannot be checked")
        elif sha256(there[name]) != digest:
            report.differing(f"output {name}: altered (SHA-256 differs)")
        else:
            agreeing += 1
    for name in sorted(set(there) - set(manifest.outputs)):
        if _is_output(name):
            report.differing(f"output {name}: not in the manifest")
        else:
            report.lines.append(f"Note: {name} is no output of a run, and was not checked")
    report.lines.append(f"{agreeing} of {len(manifest.outputs)} outputs agree with the manifest")
    if not manifest.outputs:
        report.differing("the manifest names no outputs: nothing can be checked")


def _is_output(name: str) -> bool:
    first = name.partition("/")[0]
    return first.endswith(".parquet") or any(name in names for names in (*OUTPUTS.values(), ON_REQUEST))


def _check_inputs(manifest: Manifest, hand: AtHand, report: AuditReport) -> None:
    if hand.campaign is None and hand.elsewhere is None:
        report.lines.append(f"{len(manifest.inputs)} inputs were not checked: give --recordings CAMPAIGN")
        return
    agreeing = 0
    named = sorted(manifest.inputs.items())
    for name, digest in shown(named, len(named), "checksums of inputs", "files"):
        file = hand.input_file(name)
        if file is None:
            report.differing(f"input {name}: missing")
        elif digest is None:
            report.lines.append(f"input {name}: not hashed by the run, it cannot be checked")
        elif sha256(file) != digest:
            report.differing(f"input {name}: changed since the run (SHA-256 differs)")
        else:
            agreeing += 1
    new = set(table_inputs(hand.campaign)) - set(manifest.inputs) if hand.campaign is not None else set()
    for name in sorted(new):
        report.differing(f"input {name}: was not there at the time of the run")
    report.lines.append(f"{agreeing} of {len(manifest.inputs)} inputs agree with the manifest")


def _check_again(results: Path, manifest: Manifest, hand: AtHand, report: AuditReport, workers: int | None) -> None:
    """Everything once more from the recordings, in a folder that is removed afterwards."""
    with folder_beside(results) as folder:
        try:
            recompute(results, manifest, hand, folder, workers)
        except InputError as error:
            for fault in error.faults:
                report.differing(f"recomputed: not possible: {fault}")
            return
        again = {path.relative_to(folder).as_posix(): path for path in output_files(folder)}
        alike = 0
        for name in sorted(set(again) | set(manifest.outputs)):
            here = results / name
            if not here.is_file() or name not in again:
                report.differing(f"recomputed {name}: {'only' if name in again else 'not'} made by the second run")
            elif here.read_bytes() == again[name].read_bytes():
                alike += 1
            else:
                report.differing(f"recomputed {name}: differs")
                report.lines += [f"    {line}" for line in _what_differs(results, folder, name)]
        report.lines.append(f"{alike} of {len(manifest.outputs)} outputs are the same to the bit when recomputed")
    for name, version in versions().items():
        if (then := manifest.versions.get(name)) not in (None, version):
            report.lines.append(f"Note: recomputed with {name} {version}, the run had {then}")


def _what_differs(results: Path, folder: Path, name: str) -> Iterator[str]:
    """In words what differs between a file of the results and the one of the second run."""
    try:
        if name.endswith(".parquet"):
            yield from _table_words(results, folder, name.removesuffix(".parquet"))
        elif name.endswith(".json"):
            first, second = (flat_json(json.loads((f / name).read_bytes())) for f in (results, folder))
            changes = changed_leaves(first, second)
            yield from _some([change_in_words(*change) for change in _largest_first(changes)], "values")
        else:
            one, other = ((f / name).read_bytes() for f in (results, folder))
            at = next(
                (i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other))
            )
            yield f"{len(one)} bytes and {len(other)} bytes; the first that differs is number {at}"
    except (InputError, ValueError) as error:
        yield f"it cannot be read: {error}"


def _table_words(results: Path, folder: Path, name: str) -> Iterator[str]:
    found = compare_tables(results, folder, name)
    if not found.any:
        yield "its bytes differ, its content does not"
        return
    if found.only_first or found.only_second:
        yield f"{found.only_first} rows are in the results alone, {found.only_second} in the second run alone"
    if found.columns_only_first or found.columns_only_second:
        yield f"columns of one alone: {', '.join((*found.columns_only_first, *found.columns_only_second))}"
    yield from _some([column.in_words for column in found.columns], "columns")


def _some(lines: list[str], what: str) -> Iterator[str]:
    yield from lines[:_MOST_NAMED]
    if len(lines) > _MOST_NAMED:
        yield f"and {len(lines) - _MOST_NAMED} more {what}"


def _largest_first(changes: list[tuple[str, Leaf, Leaf]]) -> list[tuple[str, Leaf, Leaf]]:
    def size(change: tuple[str, Leaf, Leaf]) -> float:
        _, first, second = change
        if isinstance(first, float) and isinstance(second, float):
            return abs(second - first)
        return float("inf")

    return sorted(changes, key=size, reverse=True)
