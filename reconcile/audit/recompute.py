"""A run done again, into a folder of its own, with the stages and settings that its manifest states."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from reconcile.audit.at_hand import AtHand
from reconcile.campaign import read_campaign
from reconcile.running import pipeline
from reconcile.running.levels_stage import CAMPAIGN
from reconcile.running.provenance import CSV, FIT, GEOPACKAGE, MANIFEST, OUTPUTS, PDF
from reconcile.running.store import read_document, write_document
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.fit import FitDocument
from reconcile.vocabulary.documents.manifest import Manifest


@contextmanager
def folder_beside(results: Path) -> Iterator[Path]:
    """An empty folder beside a results folder (among the machine's temporary ones where that is not allowed).

    It is removed at the end.
    """
    name = f".{results.resolve().name}.verify-"
    try:
        made = tempfile.mkdtemp(prefix=name, dir=results.resolve().parent)
    except OSError:
        made = tempfile.mkdtemp(prefix=name)
    try:
        yield Path(made)
    finally:
        shutil.rmtree(made, ignore_errors=True)


def recompute(results: Path, manifest: Manifest, hand: AtHand, folder: Path, workers: int | None) -> None:
    """Run the stages of a manifest again into `folder`. Raises InputError where the campaign is wrong by now."""
    if hand.campaign is None:
        raise ValueError("a campaign is needed")
    done = {stage.stage for stage in manifest.stages}
    piles = _piles(results, hand)
    pipeline.levels(hand.campaign, folder, recordings=hand.elsewhere, piles=piles, workers=workers, hashed=False)
    for stage in (name for name in OUTPUTS if name in done):
        if stage == "fit":
            pipeline.fit(folder, None, _reference_range_m(results), robust=_robust(results))
        elif stage == "compare":
            pipeline.compare(folder, None)
        elif stage == "limits":
            pipeline.limits(folder, None)
        elif stage == "record":
            pipeline.record(folder, None)
        elif stage == "report":
            _as_it_was_told(folder, manifest)
            with_csv = any(name.startswith(f"{CSV}/") for name in manifest.outputs)
            pipeline.report(folder, with_csv, PDF in manifest.outputs, GEOPACKAGE in manifest.outputs)


def _piles(results: Path, hand: AtHand) -> tuple[str, ...]:
    """The piles that the run was of; none for all of them."""
    kept = [pile.pile_id for pile in read_document(results / CAMPAIGN, Campaign, "levels").piles]
    campaign, _ = read_campaign(hand.campaign or results, hand.elsewhere)
    return tuple(kept) if set(kept) < {pile.pile_id for pile in campaign.piles} else ()


def _reference_range_m(results: Path) -> float:
    fits = read_document(results / FIT, FitDocument, "fit").fits
    return fits[0].reference_range_m if fits else 750.0


def _robust(results: Path) -> bool:
    return read_document(results / FIT, FitDocument, "fit").robust


def _as_it_was_told(folder: Path, manifest: Manifest) -> None:
    """The report tells when a run was, and its inputs: not when it is done again."""
    again = read_document(folder / MANIFEST, Manifest, "levels")
    told = again.model_copy(update={"inputs": manifest.inputs, "stages": manifest.stages})
    write_document(folder / MANIFEST, told)
