"""Rows of `blow_counts`: the hammer log held against what was heard."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from reconcile.campaign.activity_periods import states
from reconcile.campaign.blows import HammerLog
from reconcile.campaign.distances import Distances
from reconcile.strikes.association import Association
from reconcile.strikes.expected import recorder_at, within_recordings
from reconcile.strikes.overlaps import arrival_s
from reconcile.strikes.pulses import RecordedInterval
from reconcile.strikes.sessions import logged_us
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.tables import BLOW_COUNTS


def blow_count_rows(
    strikes: pd.DataFrame,
    rejected: pd.DataFrame,
    association: Association,
    campaign: Campaign,
    log: HammerLog | None,
    recorded: Sequence[RecordedInterval],
) -> pd.DataFrame:
    """One row for each impact pile and station that has recordings of its time, and one for all stations together.

    `strikes` and `rejected` are the rows of these tables; strikes flagged `not_heard` are not counted as heard.
    """
    rows: list[dict[str, object]] = []
    distances = Distances(campaign)
    strikes = strikes[~strikes["flags"].map(lambda flags: "not_heard" in flags).astype(bool)]
    for pile in campaign.piles:
        if any(state.installation_method == "impact" for state in states(campaign, pile)):
            heard = strikes[strikes["pile_id"] == pile.pile_id]
            lost = rejected[rejected["pile_id"] == pile.pile_id]
            rows += _of_pile(pile.pile_id, heard, lost, association, campaign, log, recorded, distances)
    return pd.DataFrame(rows, columns=list(BLOW_COUNTS.column_names))


def _of_pile(
    pile_id: str,
    heard: pd.DataFrame,
    rejected: pd.DataFrame,
    association: Association,
    campaign: Campaign,
    log: HammerLog | None,
    recorded: Sequence[RecordedInterval],
    distances: Distances,
) -> Iterator[dict[str, object]]:
    _, times = logged_us(log, pile_id)
    n_logged = len(times) or (campaign.n_logged or {}).get(pile_id) or None
    line = association.log_lines.get(pile_id)
    anywhere = np.zeros(len(times), dtype=bool)
    rows = []
    for station in campaign.stations:
        own = heard[heard["station_id"] == station.id]
        lost = int((rejected["station_id"] == station.id).sum())
        n_recorded = None
        if line is not None:
            clocks, _ = recorder_at(association, pile_id, station.id)
            at_s = arrival_s(line.station_s(times / 1e6), pile_id, station.id, clocks, distances)
            inside = within_recordings(np.round(at_s * 1e6).astype(np.int64), recorded, station.id)
            anywhere |= inside
            n_recorded = int(inside.sum())
        if len(own) or lost or n_recorded:
            rows.append(_row(pile_id, station.id, (n_logged, len(times)), n_recorded, own, lost))
    n_recorded = None if line is None else int(anywhere.sum())
    yield _row(pile_id, None, (n_logged, len(times)), n_recorded, heard, len(rejected))
    yield from rows


def _row(
    pile_id: str,
    station_id: str | None,
    logged: tuple[int | None, int],
    n_recorded: int | None,
    heard: pd.DataFrame,
    lost: int,
) -> dict[str, object]:
    """One row. `logged`: blows of the log, and those of them that were logged singly (none where it holds counts)."""
    n_logged, n_single = logged
    n_heard = int(heard["strike_id"].nunique())
    n_matched = int(heard["blow_number"].dropna().nunique())
    known = n_recorded is not None
    return {
        "pile_id": pile_id,
        "station_id": station_id,
        "n_logged": n_logged,
        "n_recorded": n_recorded,
        "n_heard": n_heard,
        "n_matched": n_matched if n_single else None,
        "n_missed": max(0, (n_recorded or 0) - n_matched) if known else None,
        "n_extra": n_heard - n_matched if known else None,
        "n_rejected": lost,
    }
