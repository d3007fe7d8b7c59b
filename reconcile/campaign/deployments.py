"""Reads deployments.csv and tracks.csv: what changed at a station in the course of the work, and where it drifted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from reconcile.campaign.csv_tables import Column, Table, check_known, check_unique, read_table
from reconcile.campaign.faults import CellFault, Findings, id_needed, shown
from reconcile.campaign.positions import geodesic_m
from reconcile.vocabulary.documents.campaign import Deployment, Station, System, TrackPoint

DEPLOYMENTS, TRACKS = "deployments.csv", "tracks.csv"
SAME_PLACE_M = 100.0  # a mooring that was laid again as near as this is still at its place
_POSITION = ("latitude_deg", "longitude_deg")
_STATIONS = "the id of a station in campaign.toml"
DEPLOYMENT_COLUMNS = (
    Column("station_id", filled=True, needed=id_needed),
    Column("mooring_id", needed=id_needed),
    Column("system_id", needed=id_needed),
    Column("channel", "count", at_least=1, at_most=65_535),
    Column("gain_db", "number"),
    Column("latitude_deg", "number", at_least=-90, at_most=90),
    Column("longitude_deg", "number", at_least=-180, at_most=180),
    Column("position_uncertainty_m", "number", at_least=0),
    Column("hydrophone_depth_m", "number", at_least=0),
    Column("water_depth_m", "number", above=0),
    Column("from_utc", "time", filled=True),
    Column("to_utc", "time"),
    Column("clock_offset_s", "number"),
    Column("clock_drift_ppm", "number"),
)
TRACK_COLUMNS = (
    Column("station_id", filled=True, needed=id_needed),
    Column("time_utc", "time", filled=True),
    Column("latitude_deg", "number", filled=True, at_least=-90, at_most=90),
    Column("longitude_deg", "number", filled=True, at_least=-180, at_most=180),
    Column("hydrophone_depth_m", "number", at_least=0),
    Column("standard_uncertainty_m", "number", at_least=0),
)


@dataclass(frozen=True, slots=True)
class Equipment:
    """The stations and systems of campaign.toml that are right, and the ids of all."""

    stations: Mapping[str, Station]
    systems: Mapping[str, System]
    station_ids: frozenset[str]
    system_ids: frozenset[str]


def read_deployments(path: Path, equipment: Equipment | None, findings: Findings) -> tuple[Deployment, ...]:
    """Read and check deployments.csv: by station, in order of time. `equipment` is None where it is not known."""
    table = read_table(path, DEPLOYMENT_COLUMNS, findings)
    if table is None:
        return ()
    if equipment is not None:
        check_known(table, "station_id", equipment.station_ids, _STATIONS, findings)
        check_known(table, "system_id", equipment.system_ids, "the id of a system in campaign.toml", findings)
        _check_gains(table, equipment, findings)
    _check_order(table, findings)
    _check_overlaps(table, findings)
    half = np.isfinite(table.numbers[_POSITION[0]]) != np.isfinite(table.numbers[_POSITION[1]])
    rows = [row for row in table.good_rows(*_POSITION) if half[row]]
    faults = {row: CellFault(table.lines[row], "only one of the two", "both, or neither") for row in rows}
    table.add_faults(" and ".join(_POSITION), faults, findings)
    records = [values | {"line": line} for line, values in table.records()]
    records.sort(key=lambda values: (values["station_id"], values["from_utc"]))
    stations = equipment.stations if equipment is not None else {}
    return tuple(
        Deployment(**values)
        for station_id in dict.fromkeys(values["station_id"] for values in records)
        for values in _with_moorings([v for v in records if v["station_id"] == station_id], stations.get(station_id))
    )


def _check_gains(table: Table, equipment: Equipment, findings: Findings) -> None:
    """A chain that is stated end to end has no gain that could be replaced."""
    faults = {}
    for row in np.flatnonzero(np.isfinite(table.numbers["gain_db"])).tolist():
        station = equipment.stations.get(table.texts["station_id"][row])
        name = table.texts["system_id"][row] or (station.system if station is not None else "")
        system = equipment.systems.get(name)
        if system is not None and system.end_to_end_sensitivity_db is not None:
            found = f"a gain for system {shown(name)}, which is stated end to end and has no gain to replace"
            needed = "an empty cell, and system_id: another system with the sensitivity that held"
            faults[row] = CellFault(table.lines[row], found, needed)
    table.add_faults("gain_db", faults, findings)


def _check_order(table: Table, findings: Findings) -> None:
    start, end = table.times["from_utc"], table.times["to_utc"]
    rows = np.flatnonzero(end <= start).tolist()
    faults = {row: CellFault(table.lines[row], f"{end[row]}Z", f"after from_utc, {start[row]}Z") for row in rows}
    table.add_faults("to_utc", faults, findings)


def _check_overlaps(table: Table, findings: Findings) -> None:
    """Periods of one station do not overlap."""
    last: dict[str, tuple[np.datetime64, int]] = {}
    faults = {}
    start, end = table.times["from_utc"], table.times["to_utc"]
    rows = table.good_rows("station_id", "from_utc", "to_utc")
    for row in sorted(rows, key=lambda row: start[row]):
        station_id, line = table.texts["station_id"][row], table.lines[row]
        if station_id in last:
            until, other = last[station_id]
            if np.isnat(until) or start[row] < until:
                found = f"a period of {shown(station_id)} that overlaps the one on line {other}"
                faults[row] = CellFault(line, found, "periods that follow each other")
        last[station_id] = (end[row], line)
    table.add_faults("from_utc", faults, findings)


def _with_moorings(records: Sequence[dict[str, Any]], station: Station | None) -> list[dict[str, Any]]:
    """One station's rows in order of time, each with its place.

    A row that names none is at the station's own place; where it states a position more than 100 m away from the places
    before, it is a new one: `<station>@2` for the second place, and so on.
    """
    own = str(records[0]["station_id"]) if station is None else station.mooring_id
    places: list[tuple[str, float, float]] = []
    if station is not None and station.latitude_deg is not None and station.longitude_deg is not None:
        places.append((own, station.latitude_deg, station.longitude_deg))
    found = []
    for values in records:
        name = values.get("mooring_id")
        if _POSITION[0] in values:
            here = (values[_POSITION[0]], values[_POSITION[1]])
            near = [place for place, *there in places if geodesic_m(*here, *there) <= SAME_PLACE_M]
            if name is None:
                name = near[0] if near else own if not places else f"{values['station_id']}@{len(places) + 1}"
            if name not in near:
                places.append((name, *here))
        found.append({**values, "mooring_id": name or own})
    return found


def read_tracks(path: Path, station_ids: Iterable[str] | None, findings: Findings) -> tuple[TrackPoint, ...]:
    """Read and check tracks.csv: by station, in order of time. `station_ids` is None where they are not known."""
    table = read_table(path, TRACK_COLUMNS, findings)
    if table is None:
        return ()
    if station_ids is not None:
        check_known(table, "station_id", station_ids, _STATIONS, findings)
    times = ["" if np.isnat(time) else f"{time}Z" for time in table.times["time_utc"]]
    check_unique(table, {"station_id": table.texts["station_id"], "time_utc": times}, findings)
    names = table.texts["station_id"]
    counts = Counter(names)
    faults = {
        row: CellFault(table.lines[row], f"the only point of {shown(name)}", "two points or more of a track")
        for row, name in enumerate(names)
        if name and counts[name] == 1
    }
    table.add_faults("", faults, findings)
    points = [TrackPoint(**values) for _, values in table.records()]
    return tuple(sorted(points, key=lambda point: (point.station_id, point.time_utc)))
