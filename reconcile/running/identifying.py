"""From all pulses to strikes with an identity, once more where decisions change what there is to identify."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign import HammerLog
from reconcile.recordings.sensitivity_path import SensitivityPaths
from reconcile.running.second_reading import SecondLook, extend
from reconcile.strikes.association import Association, associate
from reconcile.strikes.decided import Mark, Resolved, resolve
from reconcile.strikes.expected import expected_arrivals
from reconcile.strikes.pulses import RecordedInterval
from reconcile.strikes.rejection import reject
from reconcile.strikes.sensitivity import corrected_pulses
from reconcile.vocabulary.documents.campaign import Campaign


@dataclass(frozen=True, slots=True)
class Identified:
    """Pulses that are strikes (those heard first, in the order of the raw ones left in, then expected ones), what each
    was, and those rejected. `rows`: the number of each pulse among the raw ones, -1 for an expected one.
    """

    pulses: pd.DataFrame
    association: Association
    rejected: pd.DataFrame
    rows: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sources:
    """What pulses are identified with."""

    look: SecondLook
    campaign: Campaign
    log: HammerLog | None
    paths: SensitivityPaths
    recorded: Sequence[RecordedInterval]


def identified(raw: pd.DataFrame, sources: Sources, strikes: NDArray[np.bool_] | None = None) -> Identified:
    """Associate pulses, reject what is no strike, and add those that were expected.

    `strikes`: which of them a person said are strikes, so that no rule rejects them.
    """
    campaign, log, paths, recorded = sources.campaign, sources.log, sources.paths, sources.recorded
    pulses = corrected_pulses(raw, paths)
    rejection = reject(pulses, associate(pulses, campaign, log), campaign, recorded, strikes)
    association, rows = rejection.association, np.flatnonzero(~rejection.out)
    raw, pulses = (frame[~rejection.out].reset_index(drop=True) for frame in (raw, pulses))
    expected = expected_arrivals(pulses, association, campaign, log, recorded)
    more, of = sources.look.expected(raw, association, expected)
    if len(more):
        extend(association, of)
        pulses = pd.concat([pulses, corrected_pulses(more, paths)], ignore_index=True)
    rows = np.concatenate([rows, np.full(len(pulses) - len(rows), -1)]).astype(np.int64)
    return Identified(pulses, association, rejection.rejected, rows)


def decided(raw: pd.DataFrame, sources: Sources) -> tuple[Identified, Resolved]:
    """Strikes by rule, and by the campaign's decisions where there are any.

    What a line means is found among the strikes by rule. Strikes added, moved, or accepted against a rule take part in
    the association like any other: it is then done once more.
    """
    by_rule = identified(raw, sources)
    if not sources.campaign.decisions:
        return by_rule, Resolved()
    found = resolve(sources.campaign.decisions, _as_found(raw, by_rule))
    row_of = _raw_rows(raw, by_rule)
    for mark in found.marks:
        mark.row = int(row_of[mark.row]) if mark.row >= 0 else -1
    out = np.ones(len(raw), dtype=bool)
    out[by_rule.rows[by_rule.rows >= 0]] = False
    _say_of_rejected(found, out)
    changed, strikes = _changed(raw, found, sources.look, out)
    if changed is raw and not (strikes & out).any():
        return by_rule, found
    return identified(changed, sources, strikes), found


def _as_found(raw: pd.DataFrame, by_rule: Identified) -> pd.DataFrame:
    """All that a line may mean: strikes, then pulses rejected by rule."""
    out = np.setdiff1d(np.arange(len(raw)), by_rule.rows)
    names = ["station_id", "time_us"]
    strikes = by_rule.pulses[names].assign(heard=~by_rule.pulses["not_heard"].to_numpy(dtype=bool))
    return pd.concat([strikes, raw.iloc[out][names].assign(heard=True)], ignore_index=True)


def _raw_rows(raw: pd.DataFrame, by_rule: Identified) -> NDArray[np.int64]:
    """The number among the raw pulses of each row of `_as_found`."""
    return np.concatenate([by_rule.rows, np.setdiff1d(np.arange(len(raw)), by_rule.rows)]).astype(np.int64)


def _say_of_rejected(found: Resolved, out: NDArray[np.bool_]) -> None:
    """Decisions that reject what a rule has rejected change nothing."""
    for mark in found.marks:
        if mark.verdict == "rejected" and mark.kind is None and mark.row >= 0 and out[mark.row]:
            found.say(mark.verdict_line, "rejected: no strike; a rule had rejected it already")
    found.marks = [
        mark
        for mark in found.marks
        if not (mark.verdict == "rejected" and mark.kind is None and mark.row >= 0 and out[mark.row])
    ]


def _changed(
    raw: pd.DataFrame, found: Resolved, look: SecondLook, out: NDArray[np.bool_]
) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """The pulses with moved ones replaced and added ones behind them, and which a person said are strikes.

    Only the windows of those are read. What cannot be measured is named.
    """
    strikes, gone = np.zeros(len(raw), dtype=bool), np.zeros(len(raw), dtype=bool)
    measured: list[pd.DataFrame] = []
    nowhere: list[Mark] = []
    for mark in found.marks:
        if mark.measure_us is None:
            if mark.row >= 0 and mark.verdict in ("accepted", "excluded"):
                strikes[mark.row] = True
            continue
        pulse = look.measured_at(mark.station_id, mark.measure_us)
        if pulse.empty:
            for line in {mark.measure_line, mark.verdict_line if mark.kind == "added" else 0} - {0}:
                found.unuse(line, "the station was not recording then")
            if mark.kind == "added" or mark.verdict is None:
                nowhere.append(mark)
            mark.kind, mark.measure_us = None, None
            continue
        mark.time_us = int(pulse["time_us"].iloc[0])
        if mark.row >= 0:
            gone[mark.row] = True
        measured.append(pulse)
    found.marks = [mark for mark in found.marks if mark not in nowhere]
    if not measured:
        return raw, strikes
    new = pd.concat(measured, ignore_index=True)
    return (
        pd.concat([raw[~gone], new], ignore_index=True),
        np.concatenate([strikes[~gone], np.ones(len(new), dtype=bool)]),
    )
