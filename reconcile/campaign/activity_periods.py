"""What was being done to which pile when: its activities, or where it has none its own row of piles.csv."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reconcile.campaign.times import epoch_us
from reconcile.vocabulary.documents.campaign import Campaign, Pile

if TYPE_CHECKING:
    import pandas as pd

TimesUs = NDArray[np.int64]
_APART_US = 60_000_000  # twice the margin around stated times within which strikes are still taken to be of them


@dataclass(frozen=True, slots=True)
class ActivityPeriod:
    """What was done to a pile from `start_us` until before `end_us` (UTC, microseconds since 1970).

    `activity_id` is None where the pile has no activities and its own row holds, and in `rest`: what is left of the
    time of an impact pile between its activities, in which nobody stated what was done.
    """

    pile_id: str
    activity_id: str | None
    installation_method: str
    abatement: str
    phase: str | None
    start_us: int
    end_us: int
    rest: bool = False


def activity_periods(campaign: Campaign) -> tuple[ActivityPeriod, ...]:
    """The periods of all piles in the order of the piles, those of one pile in time; without any `rest`."""
    found: list[ActivityPeriod] = []
    for pile in campaign.piles:
        own = [activity for activity in campaign.activities if activity.pile_id == pile.pile_id]
        found += [
            ActivityPeriod(
                pile.pile_id,
                activity.activity_id,
                activity.installation_method,
                activity.abatement,
                activity.phase,
                epoch_us(activity.start_utc),
                epoch_us(activity.end_utc),
            )
            for activity in own
        ]
        if not own:
            found.append(_own(pile, epoch_us(pile.start_utc), epoch_us(pile.end_utc)))
    return tuple(found)


def impact_periods(campaign: Campaign, pile_id: str) -> tuple[ActivityPeriod, ...]:
    """When a pile was struck: its impact activities; of an impact pile also the `rest` of the time in piles.csv.

    The rest is what no activity holds, stretches of more than a minute, and a minute away from other piles' work.
    """
    periods = activity_periods(campaign)
    struck = [p for p in periods if p.pile_id == pile_id and p.installation_method == "impact"]
    pile = campaign.pile(pile_id)
    if pile.installation_method != "impact" or not any(a.pile_id == pile_id for a in campaign.activities):
        return tuple(struck)
    start, end = pile.listed_utc or (pile.start_utc, pile.end_utc)
    free = [(epoch_us(start), epoch_us(end))]
    for taken in periods:
        apart_us = 0 if taken.pile_id == pile_id else _APART_US
        edges = (taken.start_us - apart_us, taken.end_us + apart_us)
        free = [
            piece for a, b in free for piece in ((a, min(b, edges[0])), (max(a, edges[1]), b)) if piece[0] < piece[1]
        ]
    return (*struck, *(_own(pile, a, b, rest=True) for a, b in free if b - a > _APART_US))


def _own(pile: Pile, start_us: int, end_us: int, *, rest: bool = False) -> ActivityPeriod:
    return ActivityPeriod(pile.pile_id, None, pile.installation_method, pile.abatement, None, start_us, end_us, rest)


def period_numbers_at(periods: tuple[ActivityPeriod, ...], time_us: TimesUs) -> NDArray[np.intp]:
    """Number of the first period that holds each of some times; -1 where none does."""
    number = np.full(len(time_us), -1, dtype=np.intp)
    for k, period in enumerate(periods):
        inside = (time_us >= period.start_us) & (time_us < period.end_us)
        number[inside & (number < 0)] = k
    return number


def states(campaign: Campaign, pile: Pile) -> tuple[Pile, ...]:
    """A pile in each state in which it was installed: as it is, with the method and the abatement that held.

    Levels of unlike states are never taken together.
    """
    found: dict[tuple[str, str], Pile] = {}
    for activity in campaign.activities:
        if activity.pile_id == pile.pile_id:
            state = {"installation_method": activity.installation_method, "abatement": activity.abatement}
            found.setdefault((activity.installation_method, activity.abatement), pile.model_copy(update=state))
    return tuple(found.values()) or (pile,)


def with_states(rows: pd.DataFrame, campaign: Campaign) -> pd.DataFrame:
    """Rows of a table with the `installation_method` and `abatement` that held: of their activity, else of their pile.

    `rows` need `pile_id`; without the column `activity_id` none of them has an activity. Null where there is no pile.
    """
    columns = {}
    for name in ("installation_method", "abatement"):
        held = rows["pile_id"].map({pile.pile_id: getattr(pile, name) for pile in campaign.piles})
        if "activity_id" in rows and campaign.activities:
            of = rows["activity_id"].map({a.activity_id: getattr(a, name) for a in campaign.activities})
            held = of.where(of.notna(), held)
        columns[name] = held.astype(object)
    return rows.assign(**columns)
