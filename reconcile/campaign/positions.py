"""Distances between piles and stations: stated in ranges.csv, or geodesic from the positions."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from geographiclib.geodesic import Geodesic

from reconcile.campaign.csv_tables import Column, check_known, check_unique, read_table
from reconcile.campaign.faults import Findings, id_needed, plain
from reconcile.vocabulary.documents.campaign import PileStationRange

FILE = "ranges.csv"
FAR_M = 100_000.0  # beyond it, noted: perhaps latitude and longitude were exchanged
COLUMNS = (
    Column("pile_id", filled=True, needed=id_needed),
    Column("station_id", filled=True, needed=id_needed),
    Column("range_m", "number", filled=True, above=0),
    Column("standard_uncertainty_m", "number", at_least=0),
)
StatedRanges = dict[tuple[str, str], PileStationRange | None]  # None: stated, but not rightly


@dataclass(frozen=True, slots=True)
class Place:
    """A pile or station and its position in degrees, WGS 84; NaN where it is not known."""

    id: str
    latitude_deg: float
    longitude_deg: float


def geodesic_m(latitude_1_deg: float, longitude_1_deg: float, latitude_2_deg: float, longitude_2_deg: float) -> float:
    """Length in metres of the geodesic between two places on the WGS 84 ellipsoid.

    Karney 2013, Algorithms for geodesics, J. Geodesy 87, 43-55, as geographiclib implements it.
    """
    line = Geodesic.WGS84.Inverse(latitude_1_deg, longitude_1_deg, latitude_2_deg, longitude_2_deg, Geodesic.DISTANCE)
    return float(line["s12"])


def read_ranges(
    path: Path, pile_ids: Iterable[str] | None, station_ids: Iterable[str] | None, findings: Findings
) -> StatedRanges | None:
    """The distances that ranges.csv states; None where it is no such table. Ids are None where they are not known."""
    table = read_table(path, COLUMNS, findings)
    if table is None:
        return None
    check_unique(table, {name: table.texts[name] for name in ("pile_id", "station_id")}, findings)
    if pile_ids is not None:
        check_known(table, "pile_id", pile_ids, "a pile_id of piles.csv", findings)
    if station_ids is not None:
        check_known(table, "station_id", station_ids, "the id of a station in campaign.toml", findings)
    ranges: StatedRanges = dict.fromkeys(zip(table.texts["pile_id"], table.texts["station_id"], strict=True))
    rows = [PileStationRange(**values, source="ranges.csv") for _, values in table.records()]
    return ranges | {(row.pile_id, row.station_id): row for row in rows}


def resolve_ranges(
    piles: Sequence[Place],
    stations: Sequence[Place],
    stated: StatedRanges,
    moving: Collection[str],
    findings: Findings,
) -> tuple[PileStationRange, ...]:
    """The distance of every pile from every station; a fault names all pairs for which there is none.

    Stations that are `moving` may have a position later, by a deployment or on a track.
    """
    ranges: list[PileStationRange] = []
    missing: list[str] = []
    for pile in piles:
        for station in stations:
            pair = (pile.id, station.id)
            found = stated[pair] if pair in stated else _from_positions(pile, station)
            if found is not None:
                ranges.append(found)
                _check_distance(found, findings)
            elif pair not in stated and not (station.id in moving and np.isfinite(pile.latitude_deg)):
                missing.append(f"{plain(pile.id)} and {plain(station.id)}")
    if missing:
        needed = "positions of pile and station, or a row in ranges.csv"
        findings.fault(FILE, "", f"no distance between pile and station: {'; '.join(missing)}", needed)
    return tuple(ranges)


def _from_positions(pile: Place, station: Place) -> PileStationRange | None:
    places = (pile.latitude_deg, pile.longitude_deg, station.latitude_deg, station.longitude_deg)
    if not np.all(np.isfinite(places)):
        return None
    return PileStationRange(pile_id=pile.id, station_id=station.id, range_m=geodesic_m(*places), source="positions")


def _check_distance(found: PileStationRange, findings: Findings) -> None:
    pair = f"pile {plain(found.pile_id)} and station {plain(found.station_id)}"
    if found.range_m == 0:
        findings.fault("piles.csv", "", f"{pair} at the same position", "two positions")
    elif found.range_m > FAR_M:
        findings.note(f"{pair} are {found.range_m / 1000:.0f} km apart: are latitude and longitude in their places?")
