"""Distances between piles and stations at the time of each strike: moorings are relaid, buoys drift."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

import numpy as np
from numpy.typing import NDArray

from reconcile.campaign.positions import geodesic_m
from reconcile.campaign.station_periods import StationPeriod, TimesUs, period_numbers, station_periods
from reconcile.campaign.times import epoch_us
from reconcile.vocabulary.documents.campaign import Campaign, Pile, PileStationRange

FloatArray = NDArray[np.float64]
_EQUATORIAL_RADIUS_M, _FLATTENING = 6_378_137.0, 1 / 298.257223563  # WGS 84


@dataclass(frozen=True, slots=True)
class _Track:
    time_us: TimesUs
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    standard_uncertainty_m: FloatArray


class Distances:
    """Distances of a campaign, looked up by pile, station and times.

    A distance of ranges.csv holds at all times. Else the position that held: of a station with a track, the point
    between its fixes, linear in time; nothing before its first and after its last fix.
    """

    def __init__(self, campaign: Campaign) -> None:
        self._sound_speed_m_s = campaign.sound_speed_m_s
        self._stated = {(r.pile_id, r.station_id): r for r in campaign.ranges if r.source == "ranges.csv"}
        self._periods = {station.id: station_periods(campaign, station.id) for station in campaign.stations}
        tracked = {point.station_id for point in campaign.tracks}
        self._tracks = {station_id: _track(campaign, station_id) for station_id in tracked}
        self._fixed = {(r.pile_id, r.station_id): r for r in campaign.ranges}
        self._piles = {pile.pile_id: pile for pile in campaign.piles}

    def at(self, pile_id: str, station_id: str, time_us: TimesUs) -> tuple[FloatArray, FloatArray]:
        """Distance and its standard uncertainty in metres at some times (UTC, microseconds); NaN where not known."""
        pair = (pile_id, station_id)
        pile, stated = self._piles.get(pile_id), self._stated.get(pair)
        if stated is not None:
            return _constant(stated.range_m, stated.standard_uncertainty_m, len(time_us))
        if pile is None or station_id not in self._periods:
            return _constant(nan, nan, len(time_us))
        if station_id in self._tracks:
            return _along(self._tracks[station_id], pile, time_us)
        periods = self._periods[station_id]
        if len(periods) == 1 and pair in self._fixed:
            return _constant(self._fixed[pair].range_m, None, len(time_us))
        number = period_numbers(periods, time_us)
        known = {k: _from_period(pile, periods[k]) for k in np.unique(number).tolist()}
        lengths = np.array([known.get(k, nan) for k in range(len(periods))])
        return lengths[number], np.array([p.position_uncertainty_m for p in periods])[number]

    def travel_s(self, pile_id: str, station_ids: NDArray[np.object_], time_us: TimesUs) -> FloatArray:
        """Time that sound takes from a pile to each of some stations; by the pile's usual distance off a track."""
        travel = np.zeros(len(station_ids))
        for station_id in self._periods:
            rows = np.flatnonzero(station_ids == station_id)
            if not rows.size:
                continue
            usual = self._fixed.get((pile_id, station_id))
            range_m, _ = self.at(pile_id, station_id, time_us[rows])
            travel[rows] = np.nan_to_num(range_m, nan=0.0 if usual is None else usual.range_m)
        return travel / self._sound_speed_m_s


def ranges_m(campaign: Campaign, pile_id: str, station_id: str, time_us: TimesUs) -> tuple[FloatArray, FloatArray]:
    """Distance of a station from a pile and its standard uncertainty, in metres, at some times; NaN where not known."""
    return Distances(campaign).at(pile_id, station_id, time_us)


def strike_ranges_m(
    campaign: Campaign, pile_ids: NDArray[np.object_], station_ids: NDArray[np.object_], time_us: TimesUs
) -> tuple[FloatArray, FloatArray]:
    """Distance and standard uncertainty, in metres, for strikes of some piles (None: no pile) at some stations."""
    distances = Distances(campaign)
    range_m, uncertainty_m = np.full(len(time_us), nan), np.full(len(time_us), nan)
    for pile in campaign.piles:
        of_pile = np.flatnonzero(pile_ids == pile.pile_id)
        for station in campaign.stations if of_pile.size else ():
            rows = of_pile[station_ids[of_pile] == station.id]
            if rows.size:
                range_m[rows], uncertainty_m[rows] = distances.at(pile.pile_id, station.id, time_us[rows])
    return range_m, uncertainty_m


def usual_ranges(campaign: Campaign) -> tuple[PileStationRange, ...]:
    """The campaign's ranges, those of stations that were moved or drifted for the middle of each pile's time."""
    tracked = {point.station_id for point in campaign.tracks}
    moved = tracked | {row.station_id for row in campaign.deployments if row.latitude_deg is not None}
    distances = Distances(campaign)
    kept = [r for r in campaign.ranges if r.station_id not in moved or r.source == "ranges.csv"]
    stated = {(r.pile_id, r.station_id) for r in kept}
    for pile in campaign.piles:
        middle = np.array([(epoch_us(pile.start_utc) + epoch_us(pile.end_utc)) // 2], dtype=np.int64)
        for station_id in sorted(moved):
            if (pile.pile_id, station_id) in stated:
                continue
            length, uncertainty = (float(values[0]) for values in distances.at(pile.pile_id, station_id, middle))
            if np.isfinite(length):
                found = PileStationRange(
                    pile_id=pile.pile_id,
                    station_id=station_id,
                    range_m=length,
                    standard_uncertainty_m=uncertainty if np.isfinite(uncertainty) else None,
                    source="tracks.csv" if station_id in tracked else "positions",
                )
                kept.append(found)
    return tuple(kept)


def short_distance_m(
    latitude_1_deg: FloatArray, longitude_1_deg: FloatArray, latitude_2_deg: float, longitude_2_deg: float
) -> FloatArray:
    """Distances on the WGS 84 ellipsoid by the mid-latitude formula, as arrays.

    The legs along meridian and parallel, with the radii of curvature at the mean latitude, as of a plane triangle.
    Within 0.01 % of the geodesic up to 50 km away from the poles (latitudes to 70 degrees).
    """
    middle = np.radians((latitude_1_deg + latitude_2_deg) / 2)
    eccentricity_2 = _FLATTENING * (2 - _FLATTENING)
    root = np.sqrt(1 - eccentricity_2 * np.sin(middle) ** 2)
    meridian, prime_vertical = _EQUATORIAL_RADIUS_M * (1 - eccentricity_2) / root**3, _EQUATORIAL_RADIUS_M / root
    east_deg = (longitude_1_deg - longitude_2_deg + 180.0) % 360.0 - 180.0
    north_m = meridian * np.radians(latitude_1_deg - latitude_2_deg)
    return np.asarray(np.hypot(north_m, prime_vertical * np.cos(middle) * np.radians(east_deg)), dtype=np.float64)


def _constant(range_m: float, uncertainty_m: float | None, n: int) -> tuple[FloatArray, FloatArray]:
    return np.full(n, range_m), np.full(n, nan if uncertainty_m is None else uncertainty_m)


def _from_period(pile: Pile, period: StationPeriod) -> float:
    if pile.latitude_deg is None or pile.longitude_deg is None or not np.isfinite(period.latitude_deg):
        return nan
    return geodesic_m(pile.latitude_deg, pile.longitude_deg, period.latitude_deg, period.longitude_deg)


def _track(campaign: Campaign, station_id: str) -> _Track:
    points = sorted((p for p in campaign.tracks if p.station_id == station_id), key=lambda point: point.time_utc)
    uncertainty = [nan if p.standard_uncertainty_m is None else p.standard_uncertainty_m for p in points]
    return _Track(
        np.array([epoch_us(p.time_utc) for p in points], dtype=np.int64),
        np.array([p.latitude_deg for p in points]),
        np.unwrap(np.array([p.longitude_deg for p in points]), period=360.0),
        np.array(uncertainty),
    )


def _along(track: _Track, pile: Pile, time_us: TimesUs) -> tuple[FloatArray, FloatArray]:
    if pile.latitude_deg is None or pile.longitude_deg is None:
        return _constant(nan, None, len(time_us))
    origin = track.time_us[0]
    at, fixes = time_us - origin, track.time_us - origin

    def between(values: FloatArray) -> FloatArray:
        return np.asarray(np.interp(at, fixes, values, left=nan, right=nan), dtype=np.float64)

    latitude, longitude = between(track.latitude_deg), between(track.longitude_deg)
    length = short_distance_m(latitude, longitude, pile.latitude_deg, pile.longitude_deg)
    return length, between(track.standard_uncertainty_m)
