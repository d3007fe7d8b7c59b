"""All tables of the levels stage, from the parts that the reading of recordings left on disk."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from reconcile.campaign import HammerLog
from reconcile.campaign.activity_periods import with_states
from reconcile.recordings.sensitivity_path import SensitivityPaths
from reconcile.recordings.streams import Inventory
from reconcile.running import provenance
from reconcile.running.identifying import Sources, decided
from reconcile.running.memory import give_back_freed_memory
from reconcile.running.recorded_piles import unmatched
from reconcile.running.resume import PartStore, StreamParts
from reconcile.running.second_reading import SecondLook
from reconcile.running.store import write_table
from reconcile.strikes.ambient import ambient_seconds, of_one_kind, with_limits
from reconcile.strikes.background import MINUTE_S, background_rows, ten_second_rows
from reconcile.strikes.band_levels import bands_of
from reconcile.strikes.blow_counts import blow_count_rows
from reconcile.strikes.chain_gaps import gaps_between_chains
from reconcile.strikes.continuous import continuous_rows
from reconcile.strikes.decided import usable
from reconcile.strikes.decided_rows import (
    are_strikes,
    flagged_background,
    flagged_strikes,
    in_exposures,
    usable_seconds,
)
from reconcile.strikes.exposure import exposure_rows
from reconcile.strikes.increments import counted_log, not_reconciled, with_increment_energies
from reconcile.strikes.narrow_band import joint_spectra
from reconcile.strikes.penetration import with_penetration
from reconcile.strikes.phase_rows import phase_rows
from reconcile.strikes.phases import with_phases
from reconcile.strikes.pulses import recorded_intervals
from reconcile.strikes.sensitivity import corrected_seconds, implausible_levels
from reconcile.strikes.state_backgrounds import with_own_backgrounds
from reconcile.strikes.strike_rows import band_rows, strike_rows
from reconcile.strikes.summary import summary_rows
from reconcile.strikes.surroundings import surroundings_rows
from reconcile.strikes.tone_rows import tone_rows
from reconcile.strikes.uncertainty_budget import budget_rows
from reconcile.strikes.vessel_passages import with_vessel_passages
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.decisions import DecisionEntry
from reconcile.vocabulary.documents.manifest import Clocks
from reconcile.vocabulary.quantities import FloatArray, mean_square_level_db
from reconcile.vocabulary.tables import (
    BLOW_COUNTS,
    CONTINUOUS,
    EXPOSURE,
    PHASES,
    REJECTED,
    SUMMARY,
    TONES,
    UNCERTAINTY,
    background_table,
    bands_table,
    strikes_table,
)


def assemble(
    look: SecondLook,
    campaign: Campaign,
    log: HammerLog | None,
    inventory: Inventory,
    results: Path,
    paths: SensitivityPaths,
) -> tuple[dict[str, int], Clocks, tuple[DecisionEntry, ...]]:
    """All tables of the levels stage from the parts."""
    store, parts = look.store, look.parts
    bands, recorded = _all_bands(inventory), recorded_intervals(inventory.streams)
    raw = look.blind(_pulses(parts, store))
    found, decisions = decided(raw, Sources(look, campaign, log, paths, recorded))
    look.close()
    give_back_freed_memory()
    association, rejected = found.association, found.rejected
    pulses = with_own_backgrounds(found.pulses, association, campaign)
    inventory.damaged.update(look.damaged)
    strikes = flagged_strikes(strike_rows(pulses, association, campaign), decisions, campaign)
    late_s = association.station_offsets_s
    strikes, counted = with_increment_energies(with_penetration(strikes, log), campaign, late_s)
    strikes = with_vessel_passages(with_phases(strikes, campaign, late_s), campaign)
    inventory.doubts += not_reconciled(counted)
    band_levels = band_rows(pulses, association, campaign, bands)
    continuous: list[pd.DataFrame] = []
    minutes: list[pd.DataFrame] = []
    tens: list[pd.DataFrame] = []
    ambient: list[pd.DataFrame] = []
    tones: list[pd.DataFrame] = []
    second_levels: defaultdict[str, list[FloatArray]] = defaultdict(list)

    def backgrounds() -> Iterator[pd.DataFrame]:
        for entry in parts:
            for number, channel in enumerate(entry.stream.channels):
                seconds = pd.concat([store.seconds(key, number) for key in entry.keys], ignore_index=True)
                seconds = corrected_seconds(seconds, paths, channel.system_id)
                second_levels[channel.station_id].append(mean_square_level_db(seconds["mean_square"]))
                rows = flagged_background(background_rows(seconds, campaign, bands), decisions)
                method = with_states(rows, campaign)["installation_method"]
                continuous.append(rows[(rows["duration_s"] == 1.0) & method.notna() & (method != "impact")])
                minutes.append(rows[rows["duration_s"] == MINUTE_S])
                tens.append(flagged_background(ten_second_rows(seconds, campaign, bands), decisions))
                ambient.append(ambient_seconds(usable_seconds(rows), campaign))
                narrow = joint_spectra([store.narrow_band(key, number) for key in entry.keys])
                tones.append(tone_rows(narrow, rows, seconds["cell"].to_numpy(), channel, paths, campaign))
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
    counts["background_10s"] = write_table(
        results, background_table(bands, weightings, "background_10s"), [table for table in tens if len(table)]
    )
    whole_minutes = pd.concat(minutes, ignore_index=True)
    longer = of_one_kind(pd.concat([whole_minutes, *tens], ignore_index=True), campaign)
    percentiles = continuous_rows(seconds, longer, weightings)
    surroundings = surroundings_rows(usable_seconds(whole_minutes), strikes, campaign, weightings)
    seconds = with_limits(seconds, pd.concat(ambient, ignore_index=True), campaign)
    offsets = {clock.pile_id: clock.offset_s for clock in association.log_clocks if not clock.ambiguous}
    logged = counted_log(campaign, log, counted)
    left = usable(recorded, decisions.stretches)
    exposure = exposure_rows(in_exposures(strikes), usable_seconds(seconds), campaign, logged, offsets, left)
    counts["exposure"] = write_table(results, EXPOSURE, [exposure])
    counts["continuous"] = write_table(results, CONTINUOUS, [percentiles, surroundings])
    counts["tones"] = write_table(results, TONES, [table for table in tones if len(table)])
    summary = summary_rows(strikes, band_levels, seconds, campaign)
    inventory.doubts += gaps_between_chains(summary)
    counts["summary"] = write_table(results, SUMMARY, [summary])
    counts["phases"] = write_table(results, PHASES, [phase_rows(strikes, seconds, campaign)])
    counts["rejected"] = write_table(results, REJECTED, [rejected])
    blow_counts = blow_count_rows(are_strikes(strikes), rejected, association, campaign, log, recorded)
    counts["blow_counts"] = write_table(results, BLOW_COUNTS, [blow_counts])
    counts["uncertainty"] = write_table(results, UNCERTAINTY, [budget_rows(strikes, campaign)])
    counts["strikes_heard_once_or_more"] = int(are_strikes(strikes)["strike_id"].nunique())
    counts["strikes_not_heard"] = int(pulses["not_heard"].sum())
    counts["windows_read_again"] = look.windows_read_again
    counts["recordings_used"] = len(inventory.recordings)
    counts["recordings_refused"] = len(inventory.refused)
    counts["decisions"] = len(decisions.entries)
    return counts, provenance.clocks(association, counted), tuple(decisions.entries.values())


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
