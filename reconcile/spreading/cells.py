"""Means over the strikes of one pile at one station: what is fitted at this stage.

Strikes of a pile at a station share the pile, the place and the chain, so their mean is one observation, not many.
Where a station moves while a pile is driven, its strikes at each twentieth of a decade of range are an observation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.inference import Groups, Prior, Structure, shared_covariance, structure
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray

# With four piles or five places a spread is poorly known. 1.5 dB is what bearing and bathymetry were found to do in
# simulations of piling sites and the least that is granted between piles; worth two further groups it keeps a lucky
# zero from claiming a certainty that nobody has, and ten real groups outweigh it.
SPREAD_PRIOR = Prior(standard_deviation=1.5, worth=2.0)

# Piles differ by more (ground, hammer, diameter). Worth one pile only, a campaign of one pile would be known to ±12 dB.
PILE_PRIOR = Prior(standard_deviation=2.0, worth=2.0)

# One pile heard at one place is not repeatable to better than this: interference and bearing change from pile to pile.
# Without it a few metres between piles would be taken for knowledge of the slope, against what the stations say.
LEAST_RESIDUAL_SD_DB = 0.5


RANGE_BINS_PER_DECADE = 20  # within one the level falls by a decibel, and the place is nearly the same


@dataclass(frozen=True, slots=True)
class Cells:
    """One row for each pile and station: labels and, at one strike energy, what its strikes say of their mean level.

    `pile`, `place` and `system` are None where a table of levels does not name them: then rows are independent of
    each other in that respect. `chain_sd_db` is the certificate's standard uncertainty, None where unknown.
    """

    range_m: FloatArray
    groups: Groups  # levels in dB at the reference energy: known ones by number and mean, limits one by one
    log_energy: FloatArray  # mean log10 of energy over the reference energy; 0 where energies are not known
    n_strikes: NDArray[np.intp]
    pile: NDArray[np.object_] | None
    place: NDArray[np.object_] | None
    system: NDArray[np.object_] | None
    chain_sd_db: FloatArray | None
    order: FloatArray  # mean place of the strikes in the order of time
    repeated: bool  # whether some cell has several strikes, so that their scatter is known apart
    labels: pd.DataFrame = field(default_factory=pd.DataFrame)  # all that the index said of the cells, row by row

    @property
    def n(self) -> int:
        return self.range_m.size

    @property
    def heard(self) -> NDArray[np.bool_]:
        """Which cells have strikes whose level is known."""
        return np.asarray(self.groups.number > 0)

    @property
    def n_censored(self) -> int:
        """Strikes of which only a limit is known."""
        return self.groups.limited.n

    @property
    def heard_range_m(self) -> FloatArray:
        return self.range_m[self.heard]

    @property
    def variance_of_mean(self) -> FloatArray:
        """Of the known strikes' mean, in dB²; of cells that have some."""
        groups = self.groups
        return np.asarray(groups.row_sd**2 / np.maximum(groups.number * groups.worth, 1e-12))


@dataclass(frozen=True, slots=True)
class CellIndex:
    """Which cell (pile, station, place and range) each of some strikes belongs to, and the labels of the cells."""

    code: NDArray[np.intp]
    labels: pd.DataFrame  # pile_id, mooring_id, system_id, chain_sd_db and others: one that is missing is not known

    @property
    def n(self) -> int:
        return len(self.labels)

    def total(self, values: FloatArray | NDArray[np.bool_]) -> FloatArray:
        """Sum of some values over the strikes of each cell."""
        return np.asarray(np.bincount(self.code, weights=values, minlength=self.n), dtype=np.float64)


def cell_index(strikes: pd.DataFrame, campaign: Campaign) -> CellIndex:
    """The cells of some strikes. The place is the mooring, the chain that of most of a cell's strikes."""
    keyed = strikes[["pile_id", "station_id", "mooring_id", "system_id"]].assign(
        bin=np.floor(np.log10(strikes["range_m"].to_numpy(np.float64)) * RANGE_BINS_PER_DECADE)
    )
    grouped = keyed.groupby(["pile_id", "station_id", "mooring_id", "bin"], sort=True, dropna=False)
    labels = grouped["system_id"].agg(lambda ids: ids.mode().iloc[0]).reset_index()
    uncertainties = {system.id: system.uncertainty_db for system in campaign.systems}
    labels["chain_sd_db"] = labels["system_id"].map(uncertainties).astype(float)
    labels["diameter_m"] = labels["pile_id"].map({p.pile_id: p.diameter_m for p in campaign.piles}).astype(float)
    for name in ("hydrophone_depth_m", "time_utc"):
        if name in strikes.columns:
            labels[name] = strikes[name].groupby(grouped.ngroup()).mean().to_numpy()
    return CellIndex(np.asarray(grouped.ngroup(), dtype=np.intp), labels)


def cell_structure(cells: Cells) -> Structure | None:
    """How the cells vary together beside the strikes' scatter, or None where nothing is shared.

    The chain's variance is the certificate's; where no certificate is known a system is estimated like a place.
    """
    groups: dict[str, NDArray[np.object_]] = {}
    if cells.pile is not None:
        groups["pile"] = cells.pile
    if cells.place is not None:
        groups["place"] = cells.place
    known = np.diag(np.full(cells.n, LEAST_RESIDUAL_SD_DB**2))
    if cells.system is not None and cells.chain_sd_db is not None:
        known = known + shared_covariance(cells.system.tolist(), cells.chain_sd_db)
    elif cells.system is not None:
        groups["system"] = cells.system
    if not groups:
        return None
    labelled: Mapping[str, list[object]] = {name: labels.tolist() for name, labels in groups.items()}
    return structure(labelled, known, dict.fromkeys(groups, SPREAD_PRIOR) | {"pile": PILE_PRIOR})
