"""What the page is made of: the documents and tables of a results folder, as read."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from reconcile.campaign.activity_periods import states
from reconcile.spreading.stored_bands import Bands
from reconcile.vocabulary.documents.bias import Bias, BiasDocument
from reconcile.vocabulary.documents.bias_parts import BandShape, Split
from reconcile.vocabulary.documents.campaign import Campaign, Pile
from reconcile.vocabulary.documents.correction import CorrectionDocument
from reconcile.vocabulary.documents.fit import FitDocument
from reconcile.vocabulary.documents.manifest import Manifest


def rows_of(rows: pd.DataFrame, state: Pile) -> pd.DataFrame:
    """The rows of a pile in one of its states; where a table does not know states, the rows of the pile."""
    own = rows["pile_id"] == state.pile_id
    for name in ("installation_method", "abatement"):
        if name in rows:
            own &= rows[name].isna() | (rows[name] == getattr(state, name))
    return rows[own]


@dataclass(frozen=True, slots=True)
class Evidence:
    """A results folder, read. Frames are the tables of the same names; what later stages make may be missing."""

    campaign: Campaign
    manifest: Manifest
    strikes: pd.DataFrame
    bands: Bands
    summary: pd.DataFrame
    exposure: pd.DataFrame
    background: pd.DataFrame
    fit: FitDocument | None = None
    comparison: pd.DataFrame | None = None
    unpaired: pd.DataFrame | None = None
    bias: BiasDocument | None = None
    correction: CorrectionDocument | None = None
    uncertainty: pd.DataFrame | None = None
    rejected: pd.DataFrame | None = None
    blow_counts: pd.DataFrame | None = None
    limits: pd.DataFrame | None = None
    phases: pd.DataFrame | None = None
    continuous: pd.DataFrame | None = None
    tones: pd.DataFrame | None = None
    insertion_loss: pd.DataFrame | None = None
    record: pd.DataFrame | None = None
    pile_distances: pd.DataFrame | None = None
    residuals: pd.DataFrame | None = None

    @property
    def struck(self) -> pd.DataFrame:
        """The rows of `strikes` of which no person said that they are no strikes."""
        rejected = self.strikes["flags"].map(lambda flags: "rejected_by_decision" in flags).astype(bool)
        return self.strikes[~rejected] if rejected.any() else self.strikes  # millions are not copied for nothing

    @property
    def piles(self) -> tuple[Pile, ...]:
        """Piles in the order in which they were installed."""
        return tuple(sorted(self.campaign.piles, key=lambda pile: (pile.start_utc, pile.pile_id)))

    @property
    def pile_states(self) -> tuple[Pile, ...]:
        """The piles in the order of installation, each once for every state (method, abatement) that it was in."""
        return tuple(state for pile in self.piles for state in states(self.campaign, pile))

    @property
    def station_ids(self) -> tuple[str, ...]:
        """Stations from near to far, by the mean of their distances; those without a distance last."""
        distances: dict[str, list[float]] = {station.id: [] for station in self.campaign.stations}
        for entry in self.campaign.ranges:
            if entry.station_id in distances:
                distances[entry.station_id].append(entry.range_m)
        order = list(distances)

        def rank(station_id: str) -> tuple[float, int]:
            known = distances[station_id]
            return (sum(known) / len(known) if known else float("inf"), order.index(station_id))

        return tuple(sorted(order, key=rank))

    def group_place(self, installation_method: str | None, foundation_type: str | None, abatement: str | None) -> int:
        """Where a group of piles stands in the order of installation; unknown ones last."""
        groups = [(p.installation_method, p.foundation_type, p.abatement) for p in self.pile_states]
        wanted = (installation_method, foundation_type, abatement)
        return next((i for i, group in enumerate(groups) if group == wanted), len(groups))

    @property
    def biases(self) -> tuple[Bias, ...]:
        """All biases; none before predictions were compared."""
        return self.bias.biases if self.bias else ()

    @property
    def splits(self) -> tuple[Split, ...]:
        """The biases split into their causes; none before predictions were compared."""
        return self.bias.splits if self.bias else ()

    @property
    def band_shapes(self) -> tuple[BandShape, ...]:
        """The shapes of biases over the bands."""
        return self.bias.band_shapes if self.bias else ()

    @property
    def pairs(self) -> pd.DataFrame:
        """The comparison, empty before predictions were compared."""
        return pd.DataFrame() if self.comparison is None else self.comparison
