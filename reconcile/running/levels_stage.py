"""The levels stage: recordings to strikes, bands, background, exposure and summary."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from reconcile.campaign import HammerLog, read_campaign, recording_files
from reconcile.campaign.activity_periods import activity_periods, with_states
from reconcile.campaign.stored_files import RecordingsFolder
from reconcile.recordings.clock import epoch_us
from reconcile.recordings.sensitivity_path import SensitivityPaths
from reconcile.recordings.streams import Inventory, Stream, take_inventory
from reconcile.running import provenance
from reconcile.running.calibrating import calibrated
from reconcile.running.executors import available_workers, read_streams
from reconcile.running.outcome import Outcome
from reconcile.running.progress import shown
from reconcile.running.recorded_piles import unmatched, unrecorded
from reconcile.running.resume import PartStore, part_key
from reconcile.running.second_reading import SecondLook, StreamParts, extend
from reconcile.running.store import write_document, write_table
from reconcile.strikes.ambient import ambient_seconds, with_limits
from reconcile.strikes.association import associate
from reconcile.strikes.background import MINUTE_S, background_rows
from reconcile.strikes.band_levels import bands_of
from reconcile.strikes.blow_counts import blow_count_rows
from reconcile.strikes.continuous import continuous_rows
from reconcile.strikes.expected import expected_arrivals
from reconcile.strikes.exposure import exposure_rows
from reconcile.strikes.increments import counted_log, not_reconciled, with_increment_energies
from reconcile.strikes.phase_rows import phase_rows
from reconcile.strikes.phases import with_phases
from reconcile.strikes.pulses import recorded_intervals
from reconcile.strikes.rejection import reject
from reconcile.strikes.sensitivity import corrected_pulses, corrected_seconds, implausible_levels
from reconcile.strikes.stream_analysis import PART_CELLS, part_starts
from reconcile.strikes.strike_rows import band_rows, strike_rows
from reconcile.strikes.summary import summary_rows
from reconcile.strikes.uncertainty_budget import budget_rows
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.manifest import Clocks
from reconcile.vocabulary.errors import Fault, InputError
from reconcile.vocabulary.quantities import FloatArray, mean_square_level_db
from reconcile.vocabulary.tables import (
    BLOW_COUNTS,
    CONTINUOUS,
    EXPOSURE,
    PHASES,
    REJECTED,
    SUMMARY,
    UNCERTAINTY,
    background_table,
    bands_table,
    strikes_table,
)

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
    look = SecondLook(keys, PartStore(results / PARTS), campaign, workers or available_workers())
    counts, log_clocks = _assemble(look, campaign, log, inventory, results, paths)
    if not piles:
        PartStore(results / PARTS).keep_only([*(key for parts in keys for key in parts.keys), *look.keys])
    manifest = provenance.describe_recordings(manifest, campaign, inventory)
    named = list(({r.name: r.path for r in inventory.recordings} | checked.files).items())
    digests = provenance.input_digests(folder, shown(named, len(named), "checksums", "files"), hashed)
    manifest = manifest.model_copy(update={"inputs": digests, "clocks": log_clocks, "field_checks": checked.entries})
    provenance.finish(results, manifest, "levels", started, counts)
    doubts = [f"Note: {note}" for note in (*campaign.notes, *inventory.doubts)]
    return Outcome([*_levels_lines(counts, results), *doubts], inventory.refused | inventory.damaged)


def usable_recordings(campaign: Campaign, root: RecordingsFolder) -> Inventory:
    """The recordings below `root`, in streams. Raises InputError naming every file where none of them can be used."""
    files = {station.id: recording_files(campaign, station, root) for station in campaign.stations}
    inventory = take_inventory(campaign, files, root)
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
    changed = {"piles": kept, "ranges": ranges, "activities": activities, "driving_log": increments}
    return campaign.model_copy(update={**changed, "n_logged": logged})


def _read_parts(
    inventory: Inventory, campaign: Campaign, folder: Path, workers: int, near_piles_only: bool
) -> list[StreamParts]:
    """Make sure that every part is on disk; returns their keys by stream."""
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
    listed = (pile.listed_utc or (pile.start_utc, pile.end_utc) for pile in campaign.piles)
    spans = [(epoch_us(first), epoch_us(last)) for first, last in listed]
    spans += [(period.start_us, period.end_us) for period in activity_periods(campaign)]
    return any(
        start < last_us / 1e6 + _NEAR_PILE_S and start + PART_CELLS > first_us / 1e6 - _NEAR_PILE_S
        for first_us, last_us in spans
    )


def _assemble(
    look: SecondLook,
    campaign: Campaign,
    log: HammerLog | None,
    inventory: Inventory,
    results: Path,
    paths: SensitivityPaths,
) -> tuple[dict[str, int], Clocks]:
    """All tables of the levels stage from the parts."""
    store, parts = look.store, look.parts
    bands, recorded = _all_bands(inventory), recorded_intervals(inventory.streams)
    raw = look.blind(_pulses(parts, store))
    pulses = corrected_pulses(raw, paths)
    rejection = reject(pulses, associate(pulses, campaign, log), campaign, recorded)
    association = rejection.association
    raw, pulses = (frame[~rejection.out].reset_index(drop=True) for frame in (raw, pulses))
    expected = expected_arrivals(pulses, association, campaign, log, recorded)
    more, of = look.expected(raw, association, expected)
    if len(more):
        extend(association, of)
        pulses = pd.concat([pulses, corrected_pulses(more, paths)], ignore_index=True)
    inventory.damaged.update(look.damaged)
    strikes = strike_rows(pulses, association, campaign)
    late_s = association.station_offsets_s
    strikes, counted = with_increment_energies(strikes, campaign, late_s)
    strikes = with_phases(strikes, campaign, late_s)
    inventory.doubts += not_reconciled(counted)
    band_levels = band_rows(pulses, association, campaign, bands)
    continuous: list[pd.DataFrame] = []
    minutes: list[pd.DataFrame] = []
    ambient: list[pd.DataFrame] = []
    second_levels: defaultdict[str, list[FloatArray]] = defaultdict(list)

    def backgrounds() -> Iterator[pd.DataFrame]:
        for entry in parts:
            for number, channel in enumerate(entry.stream.channels):
                seconds = pd.concat([store.seconds(key, number) for key in entry.keys], ignore_index=True)
                seconds = corrected_seconds(seconds, paths, channel.system_id)
                second_levels[channel.station_id].append(mean_square_level_db(seconds["mean_square"]))
                rows = background_rows(seconds, campaign, bands)
                method = with_states(rows, campaign)["installation_method"]
                continuous.append(rows[(rows["duration_s"] == 1.0) & method.notna() & (method != "impact")])
                minutes.append(rows[rows["duration_s"] == MINUTE_S])
                ambient.append(ambient_seconds(rows, campaign))
                yield rows

    weightings = campaign.settings.weightings
    counts = {
        "strikes": write_table(results, strikes_table(weightings), [strikes]),
        "bands": write_table(results, bands_table(bands), [band_levels]),
        "background": write_table(results, background_table(bands, weightings), (b for b in backgrounds() if len(b))),
    }
    inventory.doubts += implausible_levels(
        {station: np.concatenate(found) for station, found in second_levels.items()}, campaign
    )
    inventory.doubts += unmatched(strikes, log)
    seconds = pd.concat(continuous, ignore_index=True)
    percentiles = continuous_rows(seconds, pd.concat(minutes, ignore_index=True), weightings)
    seconds = with_limits(seconds, pd.concat(ambient, ignore_index=True), campaign.settings.censor_below_snr_db)
    offsets = {clock.pile_id: clock.offset_s for clock in association.log_clocks if not clock.ambiguous}
    logged = counted_log(campaign, log, counted)
    exposure = exposure_rows(strikes, seconds, campaign, logged, offsets, recorded)
    counts["exposure"] = write_table(results, EXPOSURE, [exposure])
    counts["continuous"] = write_table(results, CONTINUOUS, [percentiles])
    counts["summary"] = write_table(results, SUMMARY, [summary_rows(strikes, band_levels, seconds, campaign)])
    counts["phases"] = write_table(results, PHASES, [phase_rows(strikes, seconds, campaign)])
    counts["rejected"] = write_table(results, REJECTED, [rejection.rejected])
    blow_counts = blow_count_rows(strikes, rejection.rejected, association, campaign, log, recorded)
    counts["blow_counts"] = write_table(results, BLOW_COUNTS, [blow_counts])
    counts["uncertainty"] = write_table(results, UNCERTAINTY, [budget_rows(strikes, campaign)])
    counts["strikes_heard_once_or_more"] = int(strikes["strike_id"].nunique())
    counts["strikes_not_heard"] = int(pulses["not_heard"].sum())
    counts["windows_read_again"] = look.windows_read_again
    counts["recordings_used"] = len(inventory.recordings)
    counts["recordings_refused"] = len(inventory.refused)
    return counts, provenance.clocks(association, counted)


def _all_bands(inventory: Inventory) -> tuple[int, ...]:
    found = {
        n for stream in inventory.streams for channel in stream.channels for n in bands_of(channel, stream.rate_hz)
    }
    return tuple(range(min(found), max(found) + 1)) if found else ()


def _pulses(parts: Sequence[StreamParts], store: PartStore) -> pd.DataFrame:
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
        f"{counts['strikes_heard_once_or_more']} strikes in {counts['strikes']} rows, "
        f"{counts['strikes_not_heard']} of them not heard, {counts['windows_read_again']} windows read again; from "
        f"{counts['recordings_used']} recordings; {counts['background']} rows of continuous levels",
        f"results in {results}",
    ]
