"""Whether recordings, the times of the piles and the hammer log meet."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.campaign.blows import HammerLog
from reconcile.campaign.times import epoch_us
from reconcile.recordings.streams import Stream
from reconcile.strikes.pulses import recorded_intervals
from reconcile.vocabulary.documents.campaign import Campaign, Pile

if TYPE_CHECKING:
    import pandas as pd


def unrecorded(campaign: Campaign, streams: list[Stream]) -> list[str]:
    """A note for each pile of which some stations, or all, recorded nothing between its start and its end."""
    intervals = recorded_intervals(streams)
    notes = []
    for pile in campaign.piles:
        start, end = epoch_us(pile.start_utc), epoch_us(pile.end_utc)
        heard = {i.station_id for i in intervals if i.start_us < end and i.end_us > start}
        deaf = [station.id for station in campaign.stations if station.id not in heard]
        if deaf:
            notes.append(_note(pile, deaf, none=not heard))
    return notes


def _note(pile: Pile, deaf: list[str], *, none: bool) -> str:
    between = f"{pile.start_utc:%Y-%m-%d %H:%M:%S} to {pile.end_utc:%Y-%m-%d %H:%M:%S} UTC"
    if not none:
        return f"pile {pile.pile_id} ({between}): no recording of {', '.join(deaf)}"
    return (
        f"pile {pile.pile_id} ({between}): no recording of any station lies within its times; are these, or those of "
        "the recordings, in local time?"
    )


def unmatched(strikes: pd.DataFrame, log: HammerLog | None) -> list[str]:
    """A note for each pile that was heard and logged, and of which no strike could be matched to a logged blow."""
    if log is None:
        return []
    notes = []
    for pile_id, numbers in strikes.groupby("pile_id")["blow_number"]:
        n_logged = int(np.count_nonzero(log.pile_id == pile_id))
        if n_logged and numbers.isna().all():
            notes.append(
                f"pile {pile_id}: none of its {n_logged} logged blows could be matched to a strike; its levels are "
                "without energies"
            )
    return notes
