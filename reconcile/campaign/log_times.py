"""Whether a hammer log can belong to the times at which its piles were driven: what is hours off is noted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from reconcile.campaign.blows import FILE, HammerLog
from reconcile.campaign.faults import Findings, plain
from reconcile.campaign.times import epoch_us
from reconcile.vocabulary.documents.campaign import Pile

FURTHEST_S = 120.0  # outside the pile's times; clocks of logs are set by hand


def note_blows_outside(piles: Sequence[Pile], log: HammerLog, findings: Findings) -> None:
    """Note each pile more than half of whose blows lie outside its stated times, by more than two minutes."""
    for pile in piles:
        blow_us = log.of_pile(pile.pile_id).time_utc.astype("datetime64[us]").astype(np.int64)
        if not blow_us.size:
            continue
        early = (epoch_us(pile.start_utc) - blow_us) / 1e6
        late = (blow_us - epoch_us(pile.end_utc)) / 1e6
        outside = np.maximum(early, late)
        if np.median(outside) <= FURTHEST_S:
            continue
        n = np.count_nonzero(outside > FURTHEST_S)
        way = "before its start_utc" if np.median(early) > 0 else "after its end_utc"
        findings.note(
            f"{FILE}: {n} of {blow_us.size} blows of pile {plain(pile.pile_id)} lie outside its times in piles.csv, "
            f"the middle one {_length(float(np.median(outside)))} {way}: they cannot be matched to strikes. "
            "Is the log, or are the pile's times, in local time?"
        )


def _length(seconds: float) -> str:
    hours = seconds / 3600.0
    return f"{hours:.1f} h" if hours >= 1.0 else f"{seconds / 60.0:.0f} min"
