"""The levels stage: recordings to strikes, bands, background, exposure and summary."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from reconcile.campaign import read_campaign, recording_files
from reconcile.campaign.activity_periods import activity_periods
from reconcile.campaign.stored_files import RecordingsFolder
from reconcile.recordings.clock import epoch_us
from reconcile.recordings.streams import Inventory, Stream, take_inventory
from reconcile.running import provenance
from reconcile.running.calibrating import calibrated
from reconcile.running.decision_lines import decision_lines, unused_decisions
from reconcile.running.executors import made_part, read_streams
from reconcile.running.memory import give_back_freed_memory, share_memory_with_tables
from reconcile.running.outcome import Outcome
from reconcile.running.places import Cluster
from reconcile.running.progress import Amount, shown, shown_hours
from reconcile.running.recorded_piles import unrecorded
from reconcile.running.resume import PartStore, StreamParts, part_key
from reconcile.running.store import write_document
from reconcile.running.workers import available_workers
from reconcile.strikes.narrow_band import with_tonal_cells
from reconcile.strikes.stream_analysis import PART_CELLS, part_starts
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.errors import Fault, InputError

CAMPAIGN = "campaign.json"
PARTS = "parts"
_NEAR_PILE_S = 60.0
_NEAR_PILE = timedelta(seconds=_NEAR_PILE_S)


def levels(
    folder: Path,
    results: Path,
    *,
    recordings: RecordingsFolder | None = None,
    piles: Sequence[str] = (),
    workers: int | None = None,
    hashed: bool = True,
    scheduler: str | None = None,
) -> Outcome:
    """Recordings to strikes, bands, background, exposure and summary: the stage that reads audio.

    `scheduler`: address or file of a dask scheduler, on whose workers recordings are read. Raises InputError where the
    campaign is wrong or no recording can be used, MachineError where the machine refuses.
    """
    started = datetime.now(UTC)
    cluster = None
    if scheduler is not None:
        from reconcile.running.cluster import DaskCluster

        cluster = DaskCluster.at(scheduler)
        folder, results = folder.absolute(), results.absolute()  # workers stand in other folders
        recordings = recordings.absolute() if isinstance(recordings, Path) else recordings
    campaign, log = read_campaign(folder, recordings)
    if piles:
        campaign = _only(campaign, piles)
        log = log.of_piles(piles) if log is not None else None
    inventory = usable_recordings(campaign, recordings or folder)
    campaign, checked, paths = calibrated(campaign, (recordings or folder, folder), inventory)
    manifest = provenance.begin(results, "levels")
    write_document(results / CAMPAIGN, campaign)
    at_work = workers or available_workers()
    keys, reused = _read_parts(inventory, campaign, results / PARTS, at_work, cluster, bool(piles))
    from reconcile.running.assembling import assemble  # data frames: what reading does not hold meanwhile
    from reconcile.running.second_reading import SecondLook

    share_memory_with_tables()
    look = SecondLook(keys, PartStore(results / PARTS), campaign, at_work, cluster)
    counts, log_clocks, decisions = assemble(look, campaign, log, inventory, results, paths)
    if not piles:
        PartStore(results / PARTS).keep_only([*(key for parts in keys for key in parts.keys), *look.keys])
    manifest = provenance.describe_recordings(manifest, campaign, inventory)
    named = list(({r.name: r.path for r in inventory.recordings} | checked.files).items())
    digests = provenance.input_digests(folder, shown(named, len(named), "checksums", "files"), hashed)
    manifest = manifest.model_copy(
        update={
            "inputs": digests,
            "clocks": log_clocks,
            "field_checks": checked.entries,
            "decisions": decisions,
        }
    )
    provenance.finish(results, manifest, "levels", started, counts)
    doubts = [f"Note: {note}" for note in (*campaign.notes, *inventory.doubts)]
    lines = [*reused, *_levels_lines(counts, results), *decision_lines(decisions), *doubts]
    return Outcome(lines, inventory.refused | inventory.damaged | unused_decisions(decisions))


def usable_recordings(campaign: Campaign, root: RecordingsFolder) -> Inventory:
    """The recordings below `root`, in streams. Raises InputError naming every file where none of them can be used."""
    files = {station.id: recording_files(campaign, station, root) for station in campaign.stations}
    inventory = take_inventory(campaign, files, root)
    inventory.streams = [with_tonal_cells(stream, campaign) for stream in inventory.streams]
    inventory.doubts += unrecorded(campaign, inventory.streams)
    if not inventory.streams:
        raise InputError(
            Fault(name, "", reason, "a recording that can be used") for name, reason in inventory.refused.items()
        )
    return inventory


def _only(campaign: Campaign, piles: Sequence[str]) -> Campaign:
    """The campaign with only some of its piles. Raises InputError where one is not in it."""
    known = [p.pile_id for p in campaign.piles]
    faults = [
        Fault("piles.csv", "pile_id", f"no pile {pile!r}", f"one of {', '.join(known)}")
        for pile in piles
        if pile not in known
    ]
    if faults:
        raise InputError(faults)
    kept = tuple(p for p in campaign.piles if p.pile_id in piles)
    ranges = tuple(r for r in campaign.ranges if r.pile_id in piles)
    activities = tuple(a for a in campaign.activities if a.pile_id in piles)
    increments = tuple(i for i in campaign.driving_log if i.pile_id in piles)
    logged = campaign.n_logged and {pile: n for pile, n in campaign.n_logged.items() if pile in piles}
    spans = [(pile.start_utc - _NEAR_PILE, pile.end_utc + _NEAR_PILE) for pile in kept]
    stretches = ("unusable_from", "unusable_to")
    decisions = tuple(
        d for d in campaign.decisions if d.action in stretches or any(a <= d.time_utc <= b for a, b in spans)
    )
    changed = {
        "decisions": decisions,
        "piles": kept,
        "ranges": ranges,
        "activities": activities,
        "driving_log": increments,
        "logged_driving": tuple(entry for entry in campaign.logged_driving if entry.pile_id in piles),
    }
    return campaign.model_copy(update={**changed, "n_logged": logged})


def _read_parts(
    inventory: Inventory,
    campaign: Campaign,
    folder: Path,
    workers: int,
    cluster: Cluster | None,
    near_piles_only: bool,
) -> tuple[list[StreamParts], list[str]]:
    """Make sure that every part is on disk; returns their keys by stream, and in words what was there already."""
    store = PartStore(folder)
    work, all_parts = [], []
    for stream in inventory.streams:
        starts = [s for s in part_starts(stream) if not near_piles_only or _near_pile(stream, s, campaign)]
        if not starts:
            continue
        keys = tuple(part_key(stream, campaign.settings, start) for start in starts)
        all_parts.append(StreamParts(stream, tuple(starts), keys))
        missing = [start for start, key in zip(starts, keys, strict=True) if not store.has(key)]
        if missing:
            work.append((stream, missing))
    if not all_parts:
        named = ", ".join(pile.pile_id for pile in campaign.piles)
        found, needed = f"no recording from the time of {named}", "recordings of these piles"
        raise InputError([Fault("piles.csv", "", found, needed)])
    lacking = [made_part(stream, first, "") for stream, missing in work for first in missing]
    total = Amount(sum(part.n_ended for part in lacking), sum(part.recorded_s for part in lacking) / 3600)
    made = read_streams(work, campaign.settings, folder, workers, cluster)
    for _ in shown_hours(made, lambda part: Amount(part.n_ended, part.recorded_s / 3600), total, "recordings"):
        pass
    give_back_freed_memory()
    for parts in all_parts:
        for key in parts.keys:
            inventory.damaged.update(store.damaged(key))
    return all_parts, _reused(all_parts, len(lacking), total.hours)


def _reused(all_parts: Sequence[StreamParts], n_read: int, read_h: float) -> list[str]:
    """What an earlier run, finished or interrupted, had read already."""
    n_parts = sum(len(parts.keys) for parts in all_parts)
    hours = sum(made_part(parts.stream, start, "").recorded_s for parts in all_parts for start in parts.starts) / 3600
    if n_read == n_parts:
        return []
    reused = f"{n_parts - n_read} of {n_parts} stretches of recordings"
    return [f"{reused} ({hours - read_h:.2f} of {hours:.2f} h) were read by an earlier run and are used again"]


def _near_pile(stream: Stream, first_cell: int, campaign: Campaign) -> bool:
    """Whether a part may hold sound of one of the campaign's piles."""
    start = stream.start_us / 1e6 + first_cell
    listed = (pile.listed_utc or (pile.start_utc, pile.end_utc) for pile in campaign.piles)
    spans = [(epoch_us(first), epoch_us(last)) for first, last in listed]
    spans += [(period.start_us, period.end_us) for period in activity_periods(campaign)]
    return any(
        start < last_us / 1e6 + _NEAR_PILE_S and start + PART_CELLS > first_us / 1e6 - _NEAR_PILE_S
        for first_us, last_us in spans
    )


def _levels_lines(counts: dict[str, int], results: Path) -> list[str]:
    return [
        f"{counts['strikes_heard_once_or_more']} strikes in {counts['strikes']} rows, "
        f"{counts['strikes_not_heard']} of them not heard, {counts['windows_read_again']} windows read again; from "
        f"{counts['recordings_used']} recordings; {counts['background']} rows of continuous levels",
        f"results in {results}",
    ]
