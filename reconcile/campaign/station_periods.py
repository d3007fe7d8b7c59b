"""What held at a station when: its own values, and between the times of a deployment what that one states."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
from numpy.typing import NDArray

from reconcile.campaign.times import epoch_us
from reconcile.vocabulary.documents.campaign import Campaign, Deployment, Station, System

BEGINNING_US, END_US = -(2**62), 2**62  # before and after anything that can be recorded
TimesUs = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class StationPeriod:
    """What held at a station from `start_us` until before `end_us` (UTC, microseconds since 1970).

    `system` is the chain with the gain that held. Positions are in degrees, NaN where not known. `clock_restarts`: the
    clock's offset is that at the first sample of the period, not of the station. `deployed`: a row of deployments.csv.
    """

    station_id: str
    mooring_id: str
    system: System
    channel: int
    latitude_deg: float
    longitude_deg: float
    position_uncertainty_m: float
    hydrophone_depth_m: float | None
    water_depth_m: float | None
    clock_offset_s: float
    clock_drift_ppm: float
    clock_restarts: bool
    deployed: bool
    start_us: int
    end_us: int


def station_periods(campaign: Campaign, station_id: str) -> tuple[StationPeriod, ...]:
    """The periods of a station in order; together they cover all time."""
    station = campaign.station(station_id)
    periods: list[StationPeriod] = []
    at = BEGINNING_US
    rows = [row for row in campaign.deployments if row.station_id == station_id]
    for row in sorted(rows, key=lambda row: row.from_utc):
        start, end = epoch_us(row.from_utc), END_US if row.to_utc is None else epoch_us(row.to_utc)
        if start > at:
            periods.append(_own(campaign, station, at, start))
        periods.append(_deployed(campaign, station, row, start, end))
        at = end
    if at < END_US:
        periods.append(_own(campaign, station, at, END_US))
    return tuple(periods)


def _own(campaign: Campaign, station: Station, start_us: int, end_us: int) -> StationPeriod:
    return StationPeriod(
        station_id=station.id,
        mooring_id=station.mooring_id,
        system=campaign.system(station.system),
        channel=station.channel,
        latitude_deg=_or(station.latitude_deg, nan),
        longitude_deg=_or(station.longitude_deg, nan),
        position_uncertainty_m=nan,
        hydrophone_depth_m=station.hydrophone_depth_m,
        water_depth_m=station.water_depth_m,
        clock_offset_s=station.clock_offset_s,
        clock_drift_ppm=station.clock_drift_ppm,
        clock_restarts=False,
        deployed=False,
        start_us=start_us,
        end_us=end_us,
    )


def _deployed(campaign: Campaign, station: Station, row: Deployment, start_us: int, end_us: int) -> StationPeriod:
    own = _own(campaign, station, start_us, end_us)
    system = campaign.system(row.system_id or station.system)
    if row.gain_db is not None:
        system = system.model_copy(update={"gain_db": row.gain_db})
    depth, water = row.hydrophone_depth_m, row.water_depth_m
    return StationPeriod(
        station_id=station.id,
        mooring_id=row.mooring_id,
        system=system,
        channel=station.channel if row.channel is None else row.channel,
        latitude_deg=_or(row.latitude_deg, own.latitude_deg),
        longitude_deg=_or(row.longitude_deg, own.longitude_deg),
        position_uncertainty_m=_or(row.position_uncertainty_m, nan),
        hydrophone_depth_m=own.hydrophone_depth_m if depth is None else depth,
        water_depth_m=own.water_depth_m if water is None else water,
        clock_offset_s=_or(row.clock_offset_s, own.clock_offset_s),
        clock_drift_ppm=_or(row.clock_drift_ppm, own.clock_drift_ppm),
        clock_restarts=row.clock_offset_s is not None or row.clock_drift_ppm is not None,
        deployed=True,
        start_us=start_us,
        end_us=end_us,
    )


def _or(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value


def period_numbers(periods: Sequence[StationPeriod], time_us: TimesUs) -> NDArray[np.intp]:
    """Number of the period that holds each time."""
    starts = np.array([period.start_us for period in periods], dtype=np.int64)
    return np.maximum(np.searchsorted(starts, time_us, side="right") - 1, 0)


def period_at(campaign: Campaign, station_id: str, time_us: int) -> StationPeriod:
    """What held at a station at one time."""
    periods = station_periods(campaign, station_id)
    return periods[int(period_numbers(periods, np.array([time_us], dtype=np.int64))[0])]


def moorings(campaign: Campaign, station_ids: NDArray[np.object_], time_us: TimesUs) -> NDArray[np.object_]:
    """The place of each of some stations at some times."""
    return _labels(campaign, station_ids, time_us, lambda period: period.mooring_id)


def listeners(campaign: Campaign, station_ids: NDArray[np.object_], time_us: TimesUs) -> NDArray[np.object_]:
    """The first station that listens at the same place and stated depth as each of some stations at some times.

    Channels of high and low gain of one hydrophone are two stations with one listener. A station whose depth is not
    stated is its own.
    """
    everywhere = [period for station in campaign.stations for period in station_periods(campaign, station.id)]

    def first(period: StationPeriod) -> str:
        if period.hydrophone_depth_m is None:
            return period.station_id
        return next(p.station_id for p in everywhere if p is period or _same_place(p, period))

    return _labels(campaign, station_ids, time_us, first)


def chain_uncertainty_db(campaign: Campaign, station_id: str, time_us: TimesUs) -> float:
    """Standard uncertainty of the chain at a station: the root mean square over some times where it changed."""
    periods = station_periods(campaign, station_id)
    squares = np.array([period.system.uncertainty_db**2 for period in periods])
    return sqrt(float(np.mean(squares[period_numbers(periods, time_us)])))


def _labels(
    campaign: Campaign, station_ids: NDArray[np.object_], time_us: TimesUs, label: Callable[[StationPeriod], str]
) -> NDArray[np.object_]:
    found = np.full(len(station_ids), None, dtype=object)
    for station in campaign.stations:
        rows = np.flatnonzero(station_ids == station.id)
        if rows.size:
            periods = station_periods(campaign, station.id)
            names = np.array([label(period) for period in periods], dtype=object)
            found[rows] = names[period_numbers(periods, time_us[rows])]
    return found


def _same_place(one: StationPeriod, other: StationPeriod) -> bool:
    return (
        one.mooring_id == other.mooring_id
        and one.hydrophone_depth_m == other.hydrophone_depth_m
        and one.start_us < other.end_us
        and other.start_us < one.end_us
    )
