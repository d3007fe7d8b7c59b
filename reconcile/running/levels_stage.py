"""The levels stage: recordings to strikes, bands, background, exposure and summary."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from reconcile.campaign import HammerLog, read_campaign, recording_files
from reconcile.campaign.stored_files import RecordingsFolder
from reconcile.recordings.clock import epoch_us
from reconcile.recordings.sensitivity_path import SensitivityPaths
from reconcile.recordings.streams import Inventory, Stream, take_inventory
from reconcile.running import provenance
from reconcile.running.calibrating import calibrated
from reconcile.running.executors import available_workers, read_streams
from reconcile.running.outcome import Outcome
from reconcile.running.progress import shown
from reconcile.running.resume import PartStore, part_key
from reconcile.running.store import write_document, write_table
from reconcile.strikes.association import associate
from reconcile.strikes.background import background_rows
from reconcile.strikes.band_levels import bands_of
from reconcile.strikes.exposure import exposure_rows
from reconcile.strikes.pulses import recorded_intervals
from reconcile.strikes.sensitivity import corrected_pulses, corrected_seconds, implausible_levels
from reconcile.strikes.stream_analysis import PART_CELLS, part_starts
from reconcile.strikes.strike_rows import band_rows, strike_rows
from reconcile.strikes.summary import summary_rows
from reconcile.strikes.uncertainty_budget import budget_rows
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.manifest import Clocks
from reconcile.vocabulary.errors import Fault, InputError
from reconcile.vocabulary.quantities import FloatArray, mean_square_level_db
from reconcile.vocabulary.tables import EXPOSURE, SUMMARY, UNCERTAINTY, background_table, bands_table, strikes_table

CAMPAIGN = "campaign.json"
PARTS = "parts"
_NEAR_PILE_S = 60.0


def levels(
    folder: Path,
    results: Path,
    *,
    recordings: RecordingsFolder | None = None,
    piles: Sequence[str] = (),
    workers: int | None = None,
    hashed: bool = True,
) -> Outcome:
    """Recordings to strikes, bands, background, exposure and summary: the stage that reads audio.

    Raises InputError where the campaign is wrong or no recording can be used, MachineError where the machine refuses.
    """
    started = datetime.now(UTC)
    campaign, log = read_campaign(folder, recordings)
    if piles:
        campaign = _only(campaign, piles)
        log = log.of_piles(piles) if log is not None else None
    inventory = usable_recordings(campaign, recordings or folder)
    campaign, checked, paths = calibrated(campaign, (recordings or folder, folder), inventory)
    manifest = provenance.begin(results, "levels")
    write_document(results / CAMPAIGN, campaign)
    keys = _read_parts(inventory, campaign, results / PARTS, workers or available_workers(), bool(piles))
    counts, log_clocks = _assemble(keys, campaign, log, inventory, results, paths)
    if not piles:
        PartStore(results / PARTS).keep_only([key for parts in keys for key in parts.keys])
    manifest = provenance.describe_recordings(manifest, campaign, inventory)
    named = list(({r.name: r.path for r in inventory.recordings} | checked.files).items())
    digests = provenance.input_digests(folder, shown(named, len(named), "checksums", "files"), hashed)
    manifest = manifest.model_copy(update={"inputs": digests, "clocks": log_clocks, "field_checks": checked.entries})
    provenance.finish(results, manifest, "levels", started, counts)
    return Outcome(_levels_lines(counts, results), inventory.refused | inventory.damaged)


def usable_recordings(campaign: Campaign, root: RecordingsFolder) -> Inventory:
    """The recordings below `root`, in streams. Raises InputError naming every file where none of them can be used."""
    files = {station.id: recording_files(campaign, station, root) for station in campaign.stations}
    inventory = take_inventory(campaign, files, root)
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
    logged = campaign.n_logged and {pile: n for pile, n in campaign.n_logged.items() if pile in piles}
    return campaign.model_copy(update={"piles": kept, "ranges": ranges, "n_logged": logged})


@dataclass(frozen=True, slots=True)
class _StreamParts:
    stream: Stream
    keys: tuple[str, ...]


def _read_parts(
    inventory: Inventory, campaign: Campaign, folder: Path, workers: int, near_piles_only: bool
) -> list[_StreamParts]:
    """Make sure that every part is on disk; returns their keys by stream."""
    store = PartStore(folder)
    work, all_parts = [], []
    for stream in inventory.streams:
        starts = [s for s in part_starts(stream) if not near_piles_only or _near_pile(stream, s, campaign)]
        if not starts:
            continue
        keys = tuple(part_key(stream, campaign.settings, start) for start in starts)
        all_parts.append(_StreamParts(stream, keys))
        missing = [start for start, key in zip(starts, keys, strict=True) if not store.has(key)]
        if missing:
            work.append((stream, missing))
    if not all_parts:
        named = ", ".join(pile.pile_id for pile in campaign.piles)
        found, needed = f"no recording from the time of {named}", "recordings of these piles"
        raise InputError([Fault("piles.csv", "", found, needed)])
    n_missing = sum(len(missing) for _, missing in work)
    for _ in shown(read_streams(work, campaign.settings, folder, workers), n_missing, "recordings", "parts"):
        pass
    for parts in all_parts:
        for key in parts.keys:
            inventory.damaged.update(store.damaged(key))
    return all_parts


def _near_pile(stream: Stream, first_cell: int, campaign: Campaign) -> bool:
    """Whether a part may hold sound of one of the campaign's piles."""
    start = stream.start_us / 1e6 + first_cell
    return any(
        start < epoch_us(p.end_utc) / 1e6 + _NEAR_PILE_S
        and start + PART_CELLS > epoch_us(p.start_utc) / 1e6 - _NEAR_PILE_S
        for p in campaign.piles
    )


def _assemble(
    parts: Sequence[_StreamParts],
    campaign: Campaign,
    log: HammerLog | None,
    inventory: Inventory,
    results: Path,
    paths: SensitivityPaths,
) -> tuple[dict[str, int], Clocks]:
    """All tables of the levels stage from the parts."""
    store = PartStore(results / PARTS)
    bands = _all_bands(inventory)
    pulses = corrected_pulses(_pulses(parts, store), paths)
    association = associate(pulses, campaign, log)
    strikes = strike_rows(pulses, association, campaign)
    band_levels = band_rows(pulses, association, campaign, bands)
    other = {p.pile_id for p in campaign.piles if p.installation_method != "impact"}
    continuous: list[pd.DataFrame] = []
    second_levels: defaultdict[str, list[FloatArray]] = defaultdict(list)

    def backgrounds() -> Iterator[pd.DataFrame]:
        for entry in parts:
            for number, channel in enumerate(entry.stream.channels):
                seconds = pd.concat([store.seconds(key, number) for key in entry.keys], ignore_index=True)
                seconds = corrected_seconds(seconds, paths, channel.system_id)
                second_levels[channel.station_id].append(mean_square_level_db(seconds["mean_square"]))
                rows = background_rows(seconds, campaign, bands)
                continuous.append(rows[(rows["duration_s"] == 1.0) & rows["pile_id"].isin(other)])
                yield rows

    weightings = campaign.settings.weightings
    counts = {
        "strikes": write_table(results, strikes_table(weightings), [strikes]),
        "bands": write_table(results, bands_table(bands), [band_levels]),
        "background": write_table(results, background_table(bands, weightings), (b for b in backgrounds() if len(b))),
    }
    medians = {station: float(np.nanmedian(np.concatenate(found))) for station, found in second_levels.items()}
    inventory.warnings += implausible_levels(medians, campaign)
    seconds = pd.concat(continuous, ignore_index=True)
    offsets = {clock.pile_id: clock.offset_s for clock in association.log_clocks if not clock.ambiguous}
    recorded = recorded_intervals(inventory.streams)
    exposure = exposure_rows(strikes, seconds, campaign, log, offsets, recorded)
    counts["exposure"] = write_table(results, EXPOSURE, [exposure])
    counts["summary"] = write_table(results, SUMMARY, [summary_rows(strikes, band_levels, seconds, campaign)])
    counts["uncertainty"] = write_table(results, UNCERTAINTY, [budget_rows(strikes, campaign)])
    counts["strikes_heard_once_or_more"] = int(strikes["strike_id"].nunique())
    counts["recordings_used"] = len(inventory.recordings)
    counts["recordings_refused"] = len(inventory.refused)
    return counts, provenance.clocks(association)


def _all_bands(inventory: Inventory) -> tuple[int, ...]:
    found = {
        n for stream in inventory.streams for channel in stream.channels for n in bands_of(channel, stream.rate_hz)
    }
    return tuple(range(min(found), max(found) + 1)) if found else ()


def _pulses(parts: Sequence[_StreamParts], store: PartStore) -> pd.DataFrame:
    frames = [
        store.pulses(key, number)
        for entry in parts
        for key in entry.keys
        for number in range(len(entry.stream.channels))
    ]
    filled = [frame for frame in frames if len(frame)] or frames[:1]
    return pd.concat(filled, ignore_index=True)


def _levels_lines(counts: dict[str, int], results: Path) -> list[str]:
    return [
        f"{counts['strikes_heard_once_or_more']} strikes in {counts['strikes']} rows, from "
        f"{counts['recordings_used']} recordings; {counts['background']} rows of continuous levels",
        f"results in {results}",
    ]
