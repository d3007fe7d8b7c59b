"""The measured side of a pair: one statistic of one pile's strikes at one station."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.activity_periods import with_states
from reconcile.campaign.station_periods import StationPeriod, period_at
from reconcile.campaign.times import epoch_us
from reconcile.comparison.cumulative import (
    FAR_ENERGY,
    Operations,
    energy_uncertainty_db,
    operations,
    piles_summed,
    predicted_sum,
)
from reconcile.comparison.row_groups import PredictedLevel, RowGroup
from reconcile.comparison.statistics import strike_statistic
from reconcile.spreading.curves import level_curve
from reconcile.spreading.energy import ASSUMED_DB_PER_DECADE, PRIOR_SD_DB_PER_DECADE
from reconcile.spreading.stored_bands import Bands
from reconcile.spreading.strike_levels import LevelKey, Levels, plain_abatement, read_levels, usable_strikes
from reconcile.vocabulary.documents.campaign import Campaign, Pile, Prediction
from reconcile.vocabulary.documents.fit import Fit
from reconcile.vocabulary.quantities import FloatArray, energy_sum_db
from reconcile.vocabulary.tables import Stage

_KEPT_LEVELS = 4  # of all strikes at a time: curves come one after another
_MOVED = 1.1  # factor between the ranges of a pile's strikes beyond which a station has moved
_STATE = ["pile_id", "station_id", "installation_method", "abatement"]
_NOT_MEASURED = "this level (quantity, weighting, band) was not measured for the pile at the station"
_ENERGY_FLAG = "energy_coefficient_assumed"


@dataclass(frozen=True, slots=True)
class Heard:
    """From where and through what a pile was heard at a station: median distance, and the usual chain and place."""

    range_m: float
    system_id: str
    mooring_id: str
    hydrophone_depth_m: float | None
    chain_uncertainty_db: float


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured statistic: at the predicted energy, as recorded, and the parts of its uncertainty.

    Levels are NaN where censored strikes could move the statistic. `predicted` is what was predicted for piles at
    several distances; None where it is read at `range_m`.
    """

    heard: Heard
    n_strikes: int
    measured_db: float
    as_recorded_db: float
    strike_uncertainty_db: float
    energy_uncertainty_db: float = 0.0
    flags: tuple[str, ...] = ()
    n_strikes_as_recorded: int | None = None
    done: Operations = field(default_factory=Operations)
    predicted: PredictedLevel | None = None

    @property
    def range_m(self) -> float:
        return self.heard.range_m


@dataclass(slots=True)
class Measurements:
    """All that was measured, looked up by pile, state and station: strikes where piles were struck, else the summary.

    A pile is in one state here (`campaign.activity_periods.states`): with the method and abatement that are asked for.
    """

    campaign: Campaign
    strikes: pd.DataFrame
    bands: Bands
    summary: pd.DataFrame
    rows: dict[tuple[str, ...], NDArray[np.intp]]
    ranges: dict[tuple[str, str], float]
    _levels: dict[LevelKey, Levels | None] = field(default_factory=dict)
    _periods: dict[tuple[str, str], StationPeriod] = field(default_factory=dict)

    @classmethod
    def of(cls, strikes: pd.DataFrame, bands: Bands, summary: pd.DataFrame, campaign: Campaign) -> Measurements:
        """From the tables of a results folder."""
        usable = usable_strikes(strikes, bands, campaign, Stage.COMPARISON)
        ranges = {(r.pile_id, r.station_id): r.range_m for r in campaign.ranges if r.source != "tracks.csv"}
        for table in (summary, usable):
            usual = table.groupby(["pile_id", "station_id"], as_index=False)["range_m"].median().dropna()
            pairs = zip(usual["pile_id"], usual["station_id"], strict=True)
            ranges |= dict(zip(pairs, usual["range_m"].tolist(), strict=True))
        rows = {
            (*(str(part) for part in key[:-1]), plain_abatement(str(key[-1]))): found.index.to_numpy(np.intp)
            for key, found in usable[_STATE].groupby(_STATE)
        }
        if "abatement" not in summary:  # a summary of piles in one state each
            summary = with_states(summary, campaign)
        return cls(campaign, usable, bands, summary, rows, ranges)

    def levels(self, key: LevelKey) -> Levels | None:
        """The levels of all strikes for a key, read once for a curve."""
        if key not in self._levels:
            if len(self._levels) >= _KEPT_LEVELS:
                self._levels.clear()
            below_db = self.campaign.settings.censor_below_snr_db
            self._levels[key] = read_levels(self.strikes, key, below_db, self.bands)
        return self._levels[key]

    def of_group(self, group: RowGroup, pile: Pile, station_id: str, fit: Fit | None) -> Measured | str:
        """What was measured for a predicted curve at a pile and station, or in words why nothing was."""
        range_m = self.ranges.get((pile.pile_id, station_id))
        if range_m is None:
            return "the distance from the pile to the station is not known"
        if group.shared.quantity == "cumulative_exposure_level" or pile.installation_method != "impact":
            usually = self._usually(pile, station_id, range_m)
            if group.shared.quantity == "cumulative_exposure_level":
                return self._cumulative(group, pile, station_id, usually, fit)
            return self._seconds(group, pile, station_id, usually)
        shared = group.shared
        levels = self.levels(LevelKey(shared.quantity, shared.weighting, shared.band_hz))
        state = (pile.installation_method, plain_abatement(pile.abatement))
        rows = self.rows.get((pile.pile_id, station_id, *state))
        if levels is None:
            return "this level (quantity, weighting, band) is not among those measured"
        if rows is None:
            return "no usable strike of the pile was measured at the station"
        rows = rows[~np.isnan(levels.lowest_db[rows])]
        if not rows.size:
            return "the level was not measured at the station (outside the band of its chain)"
        heard = self._heard(rows, self._usually(pile, station_id, range_m))
        return self._from_strikes(group, levels, rows, heard, fit)

    def _usually(self, pile: Pile, station_id: str, range_m: float) -> Heard:
        """What held at a station in the middle of a pile's time."""
        pair = (pile.pile_id, station_id)
        if pair not in self._periods:
            middle_us = (epoch_us(pile.start_utc) + epoch_us(pile.end_utc)) // 2
            self._periods[pair] = period_at(self.campaign, station_id, middle_us)
        period = self._periods[pair]
        return Heard(
            range_m, period.system.id, period.mooring_id, period.hydrophone_depth_m, period.system.uncertainty_db
        )

    def _heard(self, rows: NDArray[np.intp], usually: Heard) -> Heard:
        """What held for some strikes: the chain and the place of most of them."""
        systems, places = (self.strikes[name].iloc[rows] for name in ("system_id", "mooring_id"))
        squares = systems.map({system.id: system.uncertainty_db**2 for system in self.campaign.systems})
        return replace(
            usually,
            system_id=str(systems.mode().iloc[0]),
            mooring_id=str(places.mode().iloc[0]),
            chain_uncertainty_db=math.sqrt(float(squares.mean())),
        )

    def _to_one_range(self, rows: NDArray[np.intp], range_m: float, fit: Fit | None) -> FloatArray | str | None:
        """What brings strikes to one range where the station moved; None where it did not, words where nothing can."""
        ranges = self.strikes["range_m"].to_numpy(np.float64)[rows]
        known = ranges[np.isfinite(ranges)]
        if not known.size or known.max() <= _MOVED * known.min():
            return None
        if fit is None:
            return "the station moved, and no fit gives a slope that brings its strikes to one range"
        return np.asarray(level_curve(fit, range_m) - level_curve(fit, ranges), dtype=np.float64)

    def _from_strikes(
        self, group: RowGroup, levels: Levels, rows: NDArray[np.intp], heard: Heard, fit: Fit | None
    ) -> Measured | str:
        name = group.statistic or "median"
        moved = self._to_one_range(rows, heard.range_m, fit)
        if isinstance(moved, str):
            return moved
        flags = [] if moved is None else ["range_varies"]
        if moved is not None:
            rows, moved = rows[np.isfinite(moved)], moved[np.isfinite(moved)]
        lowest, highest = levels.lowest_db[rows], levels.highest_db[rows]
        recorded = strike_statistic(name, lowest, highest)
        if moved is not None:
            lowest, highest = lowest + moved, highest + moved
        found, energy_error, gap = strike_statistic(name, lowest, highest), 0.0, math.nan
        wanted = group.shared.energy_kj
        if wanted is not None:
            energy = self.strikes["energy_kj"].to_numpy(np.float64)[rows]
            known = np.isfinite(energy) & (np.nan_to_num(energy) > 0)
            if known.any():
                decades = np.log10(wanted / energy[known])
                coefficient, error = _energy_coefficient(fit)
                shift = coefficient * decades
                found = strike_statistic(name, lowest[known] + shift, highest[known] + shift)
                gap = float(np.mean(decades))
                energy_error = energy_uncertainty_db(error, gap)
                if abs(math.log(wanted / float(np.median(energy[known])))) > math.log(FAR_ENERGY):
                    flags.append("energy_beyond_factor_two")
            else:
                flags.append("energy_not_matched")
        if math.isnan(found.value_db):
            flags.append("statistic_censored")
        return Measured(
            heard,
            found.n_strikes,
            found.value_db,
            recorded.value_db,
            found.standard_error_db,
            energy_error,
            tuple(flags),
            recorded.n_strikes,
            Operations(
                energy_part_db=math.nan if math.isnan(gap) else found.value_db - recorded.value_db, gap_decades=gap
            ),
        )

    def _summary_row(self, shared: Prediction, quantity: str, pile: Pile, station_id: str) -> pd.Series | None:
        """The summary's row of a predicted quantity for a pile at a station; None where there is none."""
        table = self.summary
        band = table["band_hz"].isna() if shared.band_hz is None else table["band_hz"] == shared.band_hz
        row = table[
            (table["pile_id"] == pile.pile_id)
            & (table["station_id"] == station_id)
            & (table["quantity"] == quantity)
            & (table["weighting"] == shared.weighting)
            & (table["installation_method"] == pile.installation_method)
            & (table["abatement"].map(plain_abatement) == plain_abatement(pile.abatement))
            & band
        ]
        return None if row.empty else row.iloc[0]

    def _seconds(self, group: RowGroup, pile: Pile, station_id: str, heard: Heard) -> Measured | str:
        """Statistics over seconds, of a pile that is not struck."""
        first = self._summary_row(group.shared, group.shared.quantity, pile, station_id)
        if first is None:
            return _NOT_MEASURED
        value = float(first[f"{group.statistic or 'median'}_db"])
        flags = ["statistic_censored"] if math.isnan(value) else []
        if group.shared.energy_kj is not None:
            flags.append("energy_not_matched")
        strike = self._strike_part(float(first["standard_uncertainty_db"]), heard)
        n_units = int(first["n_strikes"])
        return Measured(heard, n_units, value, value, strike, 0.0, tuple(flags), n_units)

    def _cumulative(
        self, group: RowGroup, pile: Pile, station_id: str, heard: Heard, fit: Fit | None
    ) -> Measured | str:
        """Cumulative exposure of a pile, or of the piles of its day; as it was, with what the hammer did beside it."""
        piles = piles_summed(group, pile, self.campaign)
        if piles[0].pile_id != pile.pile_id:
            return f"predicted for several piles a day: the sum of the day stands with pile {piles[0].pile_id}"
        rows = [self._summary_row(group.shared, "exposure_level", each, station_id) for each in piles]
        found = [row for row in rows if row is not None]
        if len(found) < len(piles):
            return _NOT_MEASURED
        ranges = [self.ranges.get((each.pile_id, station_id), math.nan) for each in piles]
        if any(math.isnan(one) for one in ranges):
            return "the distance from one of the piles of the day to the station is not known"
        value = energy_sum_db(np.array([float(row["cumulative_exposure_level_db"]) for row in found]))
        counts = np.array([float(row["n_strikes"]) for row in found])
        n_strikes = int(counts.sum())
        predicted = None
        if len(piles) > 1 and n_strikes:
            predicted = predicted_sum(group, np.array(ranges), counts, fit)
            heard = replace(heard, range_m=float(10.0 ** np.average(np.log10(ranges), weights=counts)))
        done = self._operations(group, piles, station_id, n_strikes, fit)
        flags = {
            "statistic_censored": math.isnan(value),
            "strike_count_not_stated": math.isnan(done.strike_count_part_db),
            "energy_not_matched": group.shared.energy_kj is not None and math.isnan(done.gap_decades),
            "energy_beyond_factor_two": abs(done.gap_decades) > math.log10(FAR_ENERGY),
            "piles_summed": len(piles) > 1,
        }
        names = tuple(name for name, true in flags.items() if true)
        error = done.energy_uncertainty_db
        return Measured(heard, n_strikes, value, value, 0.0, error, names, n_strikes, done, predicted)

    def _operations(
        self, group: RowGroup, piles: Sequence[Pile], station_id: str, n_strikes: int, fit: Fit | None
    ) -> Operations:
        shared = group.shared
        if piles[0].installation_method != "impact":  # seconds are summed there, not strikes
            return Operations(strike_count_part_db=math.nan)
        levels = self.levels(LevelKey("exposure_level", shared.weighting, shared.band_hz))
        keys = [(p.pile_id, station_id, p.installation_method, plain_abatement(p.abatement)) for p in piles]
        rows = np.concatenate([self.rows.get(key, np.empty(0, np.intp)) for key in keys])
        if levels is not None and rows.size:
            energy = self.strikes["energy_kj"].to_numpy(np.float64)
            rows = rows[levels.known[rows] & (np.nan_to_num(energy[rows]) > 0)]
            level, energy = levels.level_db[rows], energy[rows]
        else:
            level = energy = np.empty(0)
        return operations(group, level, energy, _energy_coefficient(fit), n_strikes, len(piles))

    def _strike_part(self, standard_uncertainty_db: float, heard: Heard) -> float:
        """What is left of a whole uncertainty without the chain's part and the common one."""
        rest = standard_uncertainty_db**2 - heard.chain_uncertainty_db**2 - self.campaign.common_uncertainty_db**2
        return math.sqrt(rest) if rest > 0 else 0.0


def _energy_coefficient(fit: Fit | None) -> tuple[float, float]:
    """Coefficient and its standard error; an assumed one is known no better than the prior says."""
    if fit is None or _ENERGY_FLAG in fit.flags:
        return ASSUMED_DB_PER_DECADE, PRIOR_SD_DB_PER_DECADE
    coefficient = fit.coefficients.energy_coefficient_db_per_decade
    return coefficient.value, coefficient.standard_error
