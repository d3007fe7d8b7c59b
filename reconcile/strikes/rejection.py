"""Pulses that are no strikes of a pile: ship noise, chains, pings, snapping, knocks. Each is rejected with its reasons.

A pulse is held against its station's usual strike: the median of those matched with a logged blow, else of those heard
at two places or more, else of all. It is rejected for two reasons together, or for a spectrum that no strike has. What
was matched with a logged blow is never rejected; nor is anything for its shape where the usual strike had to be made
of all pulses and many are unlike it: it is then not known which of them are the strikes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.station_periods import moorings
from reconcile.strikes.association import Association, without
from reconcile.strikes.pulses import RecordedInterval
from reconcile.strikes.trains import train, usual_gap_s
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray, exposure_level_db, peak_level_db
from reconcile.vocabulary.tables import REJECTED

Rows = NDArray[np.bool_]
_FEWEST = 10  # strikes that a usual one is made from
_DURATION_FACTOR = 3.0
_SPREADS = 5.0
_LIKE, _DECISIVELY_UNLIKE = 0.5, 0.15  # of the usual overlap of a strike's spectrum with the median's
_MOST_UNLIKE = 0.2
_HEARS_MOST = 0.9
_RHYTHM = (0.7, 1.3)  # usual intervals between the strikes on either side
_WELL_INSIDE = 0.15  # of that interval, from either
_ABOVE_NOISE = 2.0


@dataclass(frozen=True, slots=True)
class Rejection:
    """Which pulses are taken out, the association of the others, and the rows of `rejected`."""

    out: Rows
    association: Association
    rejected: pd.DataFrame


def reject(
    pulses: pd.DataFrame,
    association: Association,
    campaign: Campaign,
    recorded: Sequence[RecordedInterval],
    strikes: Rows | None = None,
) -> Rejection:
    """Find the pulses that are no strikes. What is in columns that `pulses` lacks is not judged.

    `strikes`: pulses of which it is decided that they are strikes, whatever speaks against them.
    """
    marks = _Marks(pulses, association, campaign, recorded)
    found, decisive = marks.reasons()
    n = np.sum(list(found.values()), axis=0)
    out = marks.may_be_rejected & ((n >= 2) | decisive)
    if strikes is not None:
        out &= ~strikes
    reasons = [[name for name, rows in found.items() if rows[i]] for i in np.flatnonzero(out)]
    return Rejection(out, without(association, out), _rejected_rows(pulses[out], association, out, reasons))


def _rejected_rows(lost: pd.DataFrame, association: Association, out: Rows, reasons: list[list[str]]) -> pd.DataFrame:
    """The rows of `rejected`, in order of time and station."""
    energy = np.full(len(lost), np.nan)
    if "energy_pa2_s" in lost:
        energy = (lost["energy_pa2_s"] - (lost["noise_pa2"] * lost["window_s"]).fillna(0.0)).to_numpy(dtype=np.float64)
    rows = pd.DataFrame(
        {
            "station_id": lost["station_id"].to_numpy(dtype=object),
            "pile_id": np.array(association.pile_id, dtype=object)[out],
            "time_utc": pd.to_datetime(lost["time_us"].to_numpy(), unit="us", utc=True),
            "recording": lost["recording"].to_numpy(dtype=object) if "recording" in lost else "",
            "start_sample": lost["start_sample"].to_numpy() if "start_sample" in lost else 0,
            "peak_level_db": peak_level_db(lost["peak_pa"]) if "peak_pa" in lost else np.nan,
            "exposure_level_db": exposure_level_db(energy),
            "pulse_duration_s": lost["duration_s"].to_numpy() if "duration_s" in lost else np.nan,
        }
    )
    rows["reasons"] = pd.Series(reasons, dtype=object, index=rows.index)
    rows = rows.sort_values(["time_utc", "station_id"], kind="stable").reset_index(drop=True)
    return rows[list(REJECTED.column_names)]


class _Marks:
    """What speaks against each pulse."""

    def __init__(
        self,
        pulses: pd.DataFrame,
        association: Association,
        campaign: Campaign,
        recorded: Sequence[RecordedInterval],
    ) -> None:
        self.pulses = pulses
        self.station = pulses["station_id"].to_numpy(dtype=object)
        self.time_us = pulses["time_us"].to_numpy(dtype=np.int64)
        self.pile = np.array([p or "" for p in association.pile_id], dtype=object)
        self.matched = np.array([n is not None for n in association.blow_number], dtype=bool)
        undecided = np.array(
            ["identity_ambiguous" in f or "pile_ambiguous" in f for f in association.flags], dtype=bool
        )
        self.may_be_rejected = (self.pile != "") & ~self.matched
        self.decided = (self.pile != "") & ~undecided
        self.place = moorings(campaign, self.station, self.time_us)
        ids = pd.Series(association.strike_id)
        self.n_places = pd.Series(self.place).groupby(ids).transform("nunique").to_numpy(dtype=np.int64)
        self.strike = ids.to_numpy(dtype=object)
        self.recorded = recorded

    def reasons(self) -> tuple[dict[str, Rows], Rows]:
        """Reasons by name, and the pulses for which a single one is enough."""
        n = len(self.pulses)
        found = {name: np.zeros(n, dtype=bool) for name in ("too_long", "too_short", "unlike_spectrum")}
        decisive = np.zeros(n, dtype=bool)
        for rows in pd.Series(self.station).groupby(self.station).indices.values():
            of_pile = rows[self.pile[rows] != ""]
            usual = self._usual(of_pile)
            if usual.size >= _FEWEST:
                long, short = self._durations(of_pile, usual)
                unlike, wholly = self._spectra(of_pile, usual)
                if usual.size < of_pile.size or np.mean(long | short | unlike) <= _MOST_UNLIKE:
                    found["too_long"][of_pile], found["too_short"][of_pile] = long, short
                    found["unlike_spectrum"][of_pile] = unlike
                    decisive[of_pile] = wholly
        found["one_place_only"] = self._one_place_only()
        found["off_rhythm"] = self._off_rhythm()
        if "cable_knock" in self.pulses:
            found["slow_and_low"] = self.pulses["cable_knock"].to_numpy(dtype=bool)
        return found, decisive

    def _usual(self, rows: NDArray[np.intp]) -> NDArray[np.intp]:
        """The pulses of a station that its usual strike is made from."""
        for certain in (self.matched[rows], self.n_places[rows] > 1):
            if certain.sum() >= _FEWEST and certain.sum() >= 0.2 * len(rows):
                return rows[certain]
        return rows

    def _durations(self, rows: NDArray[np.intp], usual: NDArray[np.intp]) -> tuple[Rows, Rows]:
        """Pulses that are much longer, and much shorter, than usual."""
        none = np.zeros(len(rows), dtype=bool)
        if "duration_s" not in self.pulses:
            return none, none
        with np.errstate(invalid="ignore", divide="ignore"):
            duration = np.log(self.pulses["duration_s"].to_numpy(dtype=np.float64))
        known = duration[usual][np.isfinite(duration[usual])]
        if known.size < _FEWEST:
            return none, none
        middle = float(np.median(known))
        usual_spread = 1.4826 * float(np.median(np.abs(known - middle)))
        limit = max(float(np.log(_DURATION_FACTOR)), _SPREADS * usual_spread)
        longer = duration[rows] - middle
        return longer > limit, longer < -limit

    def _spectra(self, rows: NDArray[np.intp], usual: NDArray[np.intp]) -> tuple[Rows, Rows]:
        """Pulses whose shares of energy by band overlap little with those of the usual strike."""
        shares = self._shares(rows)
        none = np.zeros(len(rows), dtype=bool)
        if shares is None:
            return none, none
        inside = np.isin(rows, usual) & np.isfinite(shares).any(axis=1)
        if inside.sum() < _FEWEST:
            return none, none
        median = np.median(shares[inside], axis=0)
        median /= max(float(median.sum()), 1e-30)
        overlap = np.minimum(shares, median).sum(axis=1)
        typical = float(np.median(overlap[inside]))
        low = float(np.quantile(overlap[inside], 0.01))
        unlike = overlap < min(_LIKE * typical, low if inside.sum() >= 100 else np.inf)
        return unlike, overlap < _DECISIVELY_UNLIKE * typical

    def _shares(self, rows: NDArray[np.intp]) -> FloatArray | None:
        """Each pulse's energy by band, as shares of its sum; NaN where it hardly stands above its background."""
        names = [c for c in self.pulses.columns if c.startswith("band_") and not c.startswith("band_noise_")]
        names = [c for c in names if c.replace("band_", "band_noise_") in self.pulses.columns]
        if not names:
            return None
        energy = self.pulses[names].to_numpy(dtype=np.float64)[rows]
        noise = self.pulses[[c.replace("band_", "band_noise_") for c in names]].to_numpy(dtype=np.float64)[rows]
        noise = np.nan_to_num(noise) * self.pulses["window_s"].to_numpy(dtype=np.float64)[rows, None]
        energy = np.nan_to_num(energy)
        left = np.maximum(energy - noise, 0.0)
        total, background = left.sum(axis=1, keepdims=True), noise.sum(axis=1, keepdims=True)
        clear = (total > _ABOVE_NOISE * background) & (total > 0)
        return np.where(clear, left / np.where(total > 0, total, 1.0), np.nan)

    def _one_place_only(self) -> Rows:
        """Pulses that no other place heard, where one that hears nearly all of the pile's strikes was recording."""
        found = np.zeros(len(self.pulses), dtype=bool)
        by_place = pd.Series(self.place).groupby(self.place).indices
        stations_at = {place: set(self.station[rows].tolist()) for place, rows in by_place.items()}
        for pile, own in pd.Series(self.pile).groupby(self.pile).indices.items():
            own = own[self.decided[own]]
            certain = own[self.matched[own] | (self.n_places[own] > 1)]
            strikes = pd.Series(self.strike[certain])
            n = strikes.nunique()
            if pile == "" or n < _FEWEST:
                continue
            share = strikes.groupby(self.place[certain]).nunique() / n
            alone = own[(self.n_places[own] == 1) & ~self.matched[own]]
            for place in share.index[share >= _HEARS_MOST]:
                rows = alone[self.place[alone] != place]
                found[rows] |= self._recording(rows, stations_at[place])
        return found

    def _recording(self, rows: NDArray[np.intp], stations: set[str]) -> Rows:
        at = self.time_us[rows]
        inside = np.zeros(len(rows), dtype=bool)
        for interval in self.recorded:
            if interval.station_id in stations:
                inside |= (at >= interval.start_us) & (at < interval.end_us)
        return inside

    def _off_rhythm(self) -> Rows:
        """Pulses between two others of the station and pile that are one usual interval apart.

        The others are those of which it is certain that they are strikes, where most are.
        """
        found = np.zeros(len(self.pulses), dtype=bool)
        frame = pd.DataFrame({"pile": self.pile, "station": self.station})
        for own in frame[self.pile != ""].groupby(["pile", "station"]).groups.values():
            rows = np.asarray(own, dtype=np.int64)
            rows = rows[np.argsort(self.time_us[rows], kind="stable")]
            certain = self.matched[rows] | (self.n_places[rows] > 1)
            if certain.mean() < 0.5:
                certain[:] = True
            others = np.flatnonzero(certain)
            if others.size < _FEWEST:
                continue
            at = self.time_us[rows] / 1e6
            usual = usual_gap_s(train(at[others]))
            place = np.searchsorted(others, np.arange(len(rows)))  # of the next one, or of the pulse itself
            after = place + certain  # the one behind
            inner = (place > 0) & (after < others.size)
            before_s = at[others[np.maximum(place - 1, 0)]]
            after_s = at[others[np.minimum(after, others.size - 1)]]
            together = after_s - before_s
            gap = usual[np.clip(place - 1, 0, len(usual) - 1)]
            regular = (together > _RHYTHM[0] * gap) & (together < _RHYTHM[1] * gap)
            inside = np.minimum(at - before_s, after_s - at) > _WELL_INSIDE * together
            found[rows[inner & regular & inside]] = True
        return found
