"""Strikes that a station did not hear: when they must have arrived there, from the log or from other stations.

A logged blow that no station heard is expected only where the log's clock is known and the log's neighbourhood was
heard: in a gap of the strikes heard that has room for it, or within a minute of the first or last of them. A blow that
the log invented between two strikes has no room, and is not expected.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.campaign.blows import HammerLog
from reconcile.campaign.distances import Distances
from reconcile.strikes.association import Association
from reconcile.strikes.log_clock import LogLine
from reconcile.strikes.overlaps import arrival_s
from reconcile.strikes.pulses import RecordedInterval
from reconcile.strikes.sessions import logged_us
from reconcile.strikes.station_clocks import StationClock
from reconcile.strikes.trains import Indices, Line, train, usual_gap_s
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.quantities import FloatArray

COLUMNS = (
    "strike_id",
    "pile_id",
    "blow_number",
    "energy_kj",
    "station_id",
    "time_us",
    "tolerance_s",
    "overlapping_piles",
)

_ROOM = 1.6  # usual intervals between the strikes heard on either side of a blow that was not heard
_NEAR_S = 60.0
_SPREADS, _LEAST_SPREAD_S = 4.0, 0.01
_STATED_CLOCK_S, _LIKELY_CLOCK_S = 1.0, 0.25  # tolerances where a recorder's clock is only stated, or only likely
_OVERLAP_S = 0.4


def expected_arrivals(
    pulses: pd.DataFrame,
    association: Association,
    campaign: Campaign,
    log: HammerLog | None,
    recorded: Sequence[RecordedInterval],
) -> pd.DataFrame:
    """One row for each strike and station that was recording when it arrived and has no pulse for it.

    Columns: `strike_id`, `pile_id`, `blow_number` (Int32, null where not known), `energy_kj` (NaN where not known),
    `station_id`, `time_us` (UTC by the station's stated clock, microseconds since 1970), `tolerance_s` (the arrival
    lies that near), `overlapping_piles` (a pulse of another pile lies there). In order of time and station.
    """
    strikes = pd.concat([_heard(association), *_unheard(association, log)], ignore_index=True)
    heard: dict[str, set[str]] = {station.id: set() for station in campaign.stations}
    for name, strike in zip(pulses["station_id"], association.strike_id, strict=True):
        heard.setdefault(str(name), set()).add(strike)
    frames = []
    distances = Distances(campaign)
    for pile_id, of_pile in strikes.groupby("pile_id", sort=True):
        for station in campaign.stations:
            clocks, tolerance_s = recorder_at(association, str(pile_id), station.id)
            missing = np.array([name not in heard[station.id] for name in of_pile["strike_id"]], dtype=bool)
            rows = of_pile[missing]
            at_s = arrival_s(rows["emitted_s"].to_numpy(dtype=np.float64), str(pile_id), station.id, clocks, distances)
            time_us = np.round(at_s * 1e6).astype(np.int64)
            inside = within_recordings(time_us, recorded, station.id)
            frame = rows.assign(
                station_id=station.id, time_us=time_us, tolerance_s=np.maximum(rows["doubt_s"], tolerance_s)
            )
            frames.append(frame[inside])
    if not frames:
        return _empty()
    found = pd.concat(frames, ignore_index=True)
    found["overlapping_piles"] = _under_another(found, pulses, association)
    found["blow_number"] = found["blow_number"].astype("Int32")
    return found.sort_values(["time_us", "station_id"], kind="stable").reset_index(drop=True)[list(COLUMNS)]


def _empty() -> pd.DataFrame:
    frame = pd.DataFrame({name: [] for name in COLUMNS})
    kinds = {"blow_number": "Int32", "energy_kj": "float64", "time_us": "int64", "tolerance_s": "float64"}
    return frame.astype({**kinds, "overlapping_piles": "bool"})


def _heard(association: Association) -> pd.DataFrame:
    """The strikes heard at one station or more."""
    strikes = association.strikes
    if strikes.empty:
        return pd.DataFrame(columns=["strike_id", "pile_id", "blow_number", "energy_kj", "emitted_s", "doubt_s"])
    return strikes[["strike_id", "pile_id", "blow_number", "energy_kj", "emitted_s"]].assign(doubt_s=0.0)


def _unheard(association: Association, log: HammerLog | None) -> list[pd.DataFrame]:
    """Logged blows that no station heard, by pile, on the stations' mean clock."""
    frames = []
    for pile_id, line in association.log_lines.items() if log is not None else ():
        heard = association.strikes[association.strikes["pile_id"] == pile_id]
        rows, times = logged_us(log, pile_id)
        if log is None or heard.empty:
            continue
        emitted_s = line.station_s(times / 1e6)
        alone = ~np.isin(log.blow_number[rows], heard["blow_number"].dropna().to_numpy(dtype=np.int64))
        alone &= _has_room(emitted_s, heard, line)
        numbers = log.blow_number[rows[alone]]
        frames.append(
            pd.DataFrame(
                {
                    "strike_id": [f"{pile_id}-{n:05d}" for n in numbers.tolist()],
                    "pile_id": pile_id,
                    "blow_number": numbers.astype(np.float64),
                    "energy_kj": log.energy_kj[rows[alone]],
                    "emitted_s": emitted_s[alone],
                    "doubt_s": line.resolution_s / 2.0 + _SPREADS * max(line.jitter_s, _LEAST_SPREAD_S),
                }
            )
        )
    return frames


def _has_room(emitted_s: FloatArray, heard: pd.DataFrame, line: LogLine) -> NDArray[np.bool_]:
    """Whether a blow falls where strikes around it were heard and a strike is missing."""
    at = np.sort(heard["emitted_s"].to_numpy(dtype=np.float64))
    if at.size < 2:
        return np.zeros(len(emitted_s), dtype=bool)
    usual = usual_gap_s(train(at))
    place = np.searchsorted(at, emitted_s)
    inner = np.clip(place - 1, 0, len(usual) - 1)
    inside = (place > 0) & (place < len(at))
    before, after = emitted_s - at[np.maximum(place - 1, 0)], at[np.minimum(place, len(at) - 1)] - emitted_s
    nearest = np.where(inside, np.minimum(before, after), np.where(place == 0, after, before))
    furthest = np.where(inside, np.maximum(before, after), nearest)
    roomy = ~inside | (before + after >= _ROOM * usual[inner])
    slack = line.resolution_s / 2.0
    return np.asarray(roomy & (nearest > 0.35 * usual[inner] - slack) & (nearest > 0) & (furthest <= _NEAR_S))


def recorder_at(association: Association, pile_id: str, station_id: str) -> tuple[tuple[StationClock, ...], float]:
    """A station's clocks during a pile, in order of time, and the tolerance that their doubt asks for."""
    found = association.station_clocks.get((pile_id, station_id))
    if found is not None:
        spread_s = max((c.spread_s for c in found if np.isfinite(c.spread_s)), default=0.0)
        tolerance_s = _SPREADS * max(spread_s, _LEAST_SPREAD_S)
        return found, tolerance_s if all(c.decided for c in found) else max(tolerance_s, _LIKELY_CLOCK_S)
    for clock in association.recorder_clocks:
        if clock.station_id == station_id and not clock.ambiguous:
            line = Line(clock.at_s, clock.offset_s, clock.drift_ppm * 1e-6)
            return (StationClock(line, np.nan, np.nan, np.nan, 0, True),), _LIKELY_CLOCK_S
    return (StationClock(Line(0.0, 0.0, 0.0), np.nan, np.nan, np.nan, 0, False),), _STATED_CLOCK_S


def within_recordings(time_us: Indices, recorded: Sequence[RecordedInterval], station_id: str) -> NDArray[np.bool_]:
    """Whether a station was recording at some times by its stated clock."""
    inside = np.zeros(len(time_us), dtype=bool)
    for interval in recorded:
        if interval.station_id == station_id:
            inside |= (time_us >= interval.start_us) & (time_us < interval.end_us)
    return inside


def _under_another(found: pd.DataFrame, pulses: pd.DataFrame, association: Association) -> NDArray[np.bool_]:
    """Arrivals at which a pulse of another pile lies."""
    under = np.zeros(len(found), dtype=bool)
    piles = np.array(association.pile_id, dtype=object)
    if len(set(association.pile_id) - {None}) < 2:
        return under
    driven, time_s = piles != None, pulses["time_us"].to_numpy(dtype=np.int64) / 1e6  # noqa: E711 - by element
    window_s = pulses["window_s"].to_numpy() if "window_s" in pulses else np.full(len(pulses), _OVERLAP_S)
    by_station = pulses.groupby("station_id").indices
    for (_, pile), own in found.groupby(["station_id", "pile_id"]):
        rows = own.index.to_numpy(dtype=np.int64)
        here = by_station.get(own["station_id"].iloc[0], np.zeros(0, dtype=np.int64))
        others = here[driven[here] & (piles[here] != pile)]
        if others.size:
            others = others[np.argsort(time_s[others], kind="stable")]
            at_s = found["time_us"].to_numpy(dtype=np.int64)[rows] / 1e6
            longest = float(np.nanmax(window_s[others]))
            first = np.searchsorted(time_s[others], at_s - longest)
            last = np.searchsorted(time_s[others], at_s + _OVERLAP_S)
            under[rows] = last > first
    return under
