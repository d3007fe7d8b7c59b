"""Where results come from: digests, versions, the chains as applied, and the manifest around every command."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterable
from dataclasses import asdict
from datetime import UTC, datetime
from importlib import metadata
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

import reconcile
from reconcile.campaign.remote_files import RemoteFile
from reconcile.campaign.station_periods import period_at, station_periods
from reconcile.campaign.stored_files import StoredFile, open_stored
from reconcile.recordings.calibration import chain
from reconcile.recordings.streams import Inventory
from reconcile.running.store import document_text, read_document, write_document
from reconcile.vocabulary.documents.campaign import Campaign, System
from reconcile.vocabulary.documents.manifest import (
    ChainEntry,
    ChainStageEntry,
    Clocks,
    LogClockEntry,
    Manifest,
    RecorderClockEntry,
    RecordingEntry,
    Stage,
    StreamEntry,
)
from reconcile.vocabulary.errors import MachineError

if TYPE_CHECKING:
    from reconcile.strikes.association import Association
    from reconcile.strikes.increments import PileCounts

MANIFEST = "manifest.json"
FIT, BIAS, CORRECTION, PAGE = "fit.json", "bias.json", "correction.json", "report.html"
WORKBOOK, DATA_PACKAGE, LAYERS, CSV = "results.xlsx", "datapackage.json", "layers", "csv"  # the last two are folders
CRATE, FIGURES, PDF, GEOPACKAGE = "ro-crate-metadata.json", "figures", "report.pdf", "layers/layers.gpkg"
RECORD_CSV, VERIFICATION = "record.csv", "verification"  # the flat record, and the folder of pages pile by pile
_LEVELS_TABLES = (
    "strikes",
    "rejected",
    "blow_counts",
    "bands",
    "background",
    "background_10s",
    "continuous",
    "tones",
    "exposure",
    "summary",
    "phases",
    "uncertainty",
)
OUTPUTS: dict[str, tuple[str, ...]] = {  # of the stages, in their order
    "levels": (
        "campaign.json",
        *(f"{name}.parquet" for name in _LEVELS_TABLES),
    ),
    "fit": (FIT, "residuals.parquet"),
    "compare": ("comparison.parquet", "unpaired.parquet", BIAS, CORRECTION),
    "limits": ("limits.parquet",),
    "record": ("insertion_loss.parquet", "record.parquet", "pile_distances.parquet", RECORD_CSV),
    "report": (
        PAGE,
        WORKBOOK,
        *(f"{LAYERS}/{n}.geojson" for n in ("stations", "piles", "threshold_circles")),
        DATA_PACKAGE,  # and VERIFICATION/*.html, FIGURES/*.svg
        CRATE,
    ),
}
ON_REQUEST = (PDF, GEOPACKAGE)  # of the report, beside CSV
_STARTS_ANEW_AFTER = {  # stages that not every earlier one makes stale
    "limits": ("levels", "fit"),
    "record": ("levels", "fit", "compare"),
}
_LIBRARIES = ("numpy", "scipy", "soundfile", "pandas", "pyarrow", "pydantic", "geographiclib")


def sha256(path: StoredFile) -> str:
    """Digest of a file. Raises MachineError where it cannot be read."""
    digest = hashlib.sha256()
    try:
        with open_stored(path) as stream:
            while chunk := stream.read(1 << 20):
                digest.update(chunk)
    except OSError as error:
        where = path.url if isinstance(path, RemoteFile) else str(path)
        raise MachineError(where, error.strerror or str(error)) from error
    return digest.hexdigest()


def versions() -> dict[str, str]:
    """Versions of this package, of Python, and of the libraries between samples and results."""
    found = {name: metadata.version(name) for name in _LIBRARIES}
    return {"reconcile": reconcile.__version__, "python": platform.python_version(), **found}


def read_manifest(results: Path) -> Manifest:
    """The manifest of a results folder; an empty one where there is none yet."""
    path = results / MANIFEST
    return read_document(path, Manifest, "levels") if path.exists() else Manifest(complete=False)


def begin(results: Path, stage: str) -> Manifest:
    """Mark a folder as being changed, before anything in it is, and remove what later stages made of the old state."""
    order = list(OUTPUTS)
    later = [name for name in order[order.index(stage) + 1 :] if stage in _STARTS_ANEW_AFTER.get(name, order)]
    manifest = read_manifest(results)
    kept = tuple(entry for entry in manifest.stages if entry.stage not in later)
    manifest = manifest.model_copy(update={"complete": False, "stages": kept, "digest": None})
    write_document(results / MANIFEST, manifest)
    stale = (name for of in later for name in (*OUTPUTS[of], *_named_by_input(results, of)))
    for name in stale:
        try:
            (results / name).unlink(missing_ok=True)
        except OSError as error:
            raise MachineError(str(results / name), error.strerror or str(error)) from error
    return manifest


def _named_by_input(results: Path, stage: str) -> list[str]:
    """Outputs of a stage that are made on request or whose names are not fixed: CSV, pages of the piles, figures."""
    if stage != "report":
        return []
    folders = ((CSV, "*.csv"), (VERIFICATION, "*.html"), (FIGURES, "*.svg"))
    named = [f"{folder}/{path.name}" for folder, names in folders for path in sorted((results / folder).glob(names))]
    return [*named, *ON_REQUEST]


def _sealed(manifest: Manifest) -> Manifest:
    """The manifest with the digest of its own text, in which a null stands in the digest's place."""
    bare = manifest.model_copy(update={"digest": None})
    digest = hashlib.sha256(document_text(bare).encode()).hexdigest()
    return bare.model_copy(update={"digest": digest})


def seal_holds(text: bytes, digest: str) -> bool:
    """Whether the text of a manifest is the one that its digest was taken of."""
    bare = text.replace(f'"digest": "{digest}"'.encode(), b'"digest": null', 1)
    return hashlib.sha256(bare).hexdigest() == digest


def finish(results: Path, manifest: Manifest, stage: str, started: datetime, counts: dict[str, int]) -> Manifest:
    """Write the full manifest, last: outputs with their digests, and the stage that was done."""
    done = Stage(stage=stage, started_utc=started, ended_utc=datetime.now(UTC), counts=counts)
    others = tuple(s for s in manifest.stages if s.stage != stage)
    outputs = {p.relative_to(results).as_posix(): sha256(p) for p in output_files(results)}
    full = manifest.model_copy(update={"complete": True, "outputs": outputs, "stages": (*others, done)})
    full = _sealed(full)
    write_document(results / MANIFEST, full)
    return full


def output_files(results: Path) -> Iterable[Path]:
    """The files of a results folder, without the manifest, the parts and what is hidden; sorted."""
    for path in sorted(results.rglob("*")):
        hidden = any(part.startswith(".") for part in path.relative_to(results).parts)
        if path.is_file() and path.name != MANIFEST and not hidden and path.relative_to(results).parts[0] != "parts":
            yield path


def input_digests(folder: Path, recordings: Iterable[tuple[str, StoredFile]], hashed: bool) -> dict[str, str | None]:
    """Digest of each input file by its path relative to the campaign, null where not asked for."""
    files = [*table_inputs(folder).items(), *recordings]
    return {name: sha256(path) if hashed else None for name, path in files}


def table_inputs(folder: Path) -> dict[str, Path]:
    """The settings and tables of a campaign folder by their paths in it."""
    given = [*folder.iterdir(), *(folder / "calibration").rglob("*.csv")]
    tables = [p for p in sorted(given) if p.is_file() and p.suffix in (".toml", ".csv")]
    return {p.relative_to(folder).as_posix(): p for p in tables}


def describe_recordings(manifest: Manifest, campaign: Campaign, inventory: Inventory) -> Manifest:
    """The manifest with chains, recordings and streams as they were used."""
    chains = []
    for system in _systems_as_used(campaign):
        used = chain(system)
        stages = tuple(ChainStageEntry(**asdict(stage)) for stage in used.stages)
        chains.append(
            ChainEntry(
                system_id=system.id,
                pascals_per_unit=used.pascals_per_unit,
                standard_uncertainty_db=system.standard_uncertainty_db,
                effective_standard_uncertainty_db=system.effective_standard_uncertainty_db,
                valid_from_hz=system.valid_from_hz,
                valid_to_hz=system.valid_to_hz,
                sensitivity_curve=system.sensitivity_curve,
                stages=stages,
            )
        )
    recordings = tuple(
        RecordingEntry(
            recording=r.name, rate_hz=r.rate_hz, channels=r.n_channels, frames=r.n_frames, sample_format=r.subtype
        )
        for r in sorted(inventory.recordings, key=lambda r: r.name)
        if r.name not in inventory.refused
    )
    return manifest.model_copy(
        update={
            "chains": tuple(chains),
            "recordings": recordings,
            "streams": tuple(_stream_entries(campaign, inventory)),
            "refused": dict(inventory.refused),
            "damaged": dict(inventory.damaged),
            "warnings": (*campaign.notes, *inventory.doubts, *inventory.warnings),
            "settings": campaign.settings,
            "versions": versions(),
        }
    )


def _systems_as_used(campaign: Campaign) -> Iterable[System]:
    """The systems as stated, each followed by itself with the other gains that deployments gave it."""
    periods = [period for station in campaign.stations for period in station_periods(campaign, station.id)]
    for system in campaign.systems:
        gains = dict.fromkeys(p.system.gain_db for p in periods if p.system.id == system.id)
        yield system
        for gain_db in gains:
            if gain_db != system.gain_db:
                yield system.model_copy(update={"gain_db": gain_db})


def _stream_entries(campaign: Campaign, inventory: Inventory) -> Iterable[StreamEntry]:
    for stream in inventory.streams:
        ends = stream.recorder_us(np.array([0.0, float(stream.n_samples)]))
        for channel in stream.channels:
            start_us, end_us = (int(us) for us in channel.clock.utc_us(ends))
            start, end = (datetime.fromtimestamp(us / 1e6, UTC) for us in (start_us, end_us))
            mooring_id = period_at(campaign, channel.station_id, (start_us + end_us) // 2).mooring_id
            names = tuple(segment.recording.name for segment in stream.segments)
            yield StreamEntry(
                station_id=channel.station_id,
                system_id=channel.system_id,
                mooring_id=mooring_id,
                start_utc=start,
                end_utc=end,
                recordings=names,
            )


def clocks(association: Association, counted: Iterable[PileCounts] = ()) -> Clocks:
    """The clocks that association found, and those of logs that hold only counts, for the manifest."""
    logs = tuple(LogClockEntry(**_known(asdict(clock))) for clock in association.log_clocks)
    single = {entry.pile_id for entry in logs}
    logs += tuple(_count_clock(found) for found in counted if found.pile_id not in single and found.timed)
    recorders = []
    for clock in association.recorder_clocks:
        found = _known(asdict(clock))
        at_s = found.pop("at_s")
        at_utc = None if at_s is None else datetime.fromtimestamp(at_s, UTC)
        recorders.append(RecorderClockEntry(**found, at_utc=at_utc))
    return Clocks(hammer_logs=logs, station_offsets_s=association.station_offsets_s, recorders=tuple(recorders))


def _count_clock(found: PileCounts) -> LogClockEntry:
    """The clock of a log of counts: known to a blow or so; `n_matched` are the strikes laid into its increments."""
    match = found.match
    return LogClockEntry(
        pile_id=found.pile_id,
        offset_s=match.offset_s,
        drift_ppm=0.0,
        residual_sd_s=None,
        n_blows=match.n_logged,
        n_matched=match.n_heard,
        ambiguous=not match.reconciled,
    )


def _known(values: dict[str, Any]) -> dict[str, Any]:
    """Values with None for what is not a number."""
    return {name: None if isinstance(v, float) and not isfinite(v) else v for name, v in values.items()}
