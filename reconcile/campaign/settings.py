"""Reads campaign.toml and checks what its keys mean together."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import nan
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from reconcile.campaign.criteria import chosen_criteria
from reconcile.campaign.criteria_schema import LimitPart
from reconcile.campaign.curves import REFERENCE_HZ, Curve, read_curve, sensitivity_at
from reconcile.campaign.faults import Findings, plain, shown
from reconcile.campaign.plausibility import note_implausible_chains
from reconcile.campaign.positions import Place
from reconcile.campaign.recording_files import Claim
from reconcile.campaign.schema import (
    CampaignPart,
    CampaignToml,
    PeriodPart,
    RecordingsPart,
    SettingsPart,
    StationPart,
    SystemPart,
    VesselPassagePart,
)
from reconcile.campaign.schema_faults import add_schema_faults
from reconcile.campaign.start_times import read_start_times
from reconcile.campaign.times import as_datetime, parse_utc
from reconcile.campaign.toml_files import read_toml
from reconcile.vocabulary.criteria import Criterion
from reconcile.vocabulary.documents.campaign import FieldCheck, Settings, StatedPeriod, Station, System, VesselPassage
from reconcile.vocabulary.errors import suggestion
from reconcile.vocabulary.seawater import mackenzie_1981, within_mackenzie_1981
from reconcile.vocabulary.weightings import with_sets_resolved

FILE = "campaign.toml"
DEFAULT_SOUND_SPEED_M_S = 1500.0
FaultyPlaces = set[tuple[int | str, ...]]  # of faults: section; section and number; those and key
_POSITION = ("latitude_deg", "longitude_deg")
_STAGES = ("sensitivity_db", "gain_db", "full_scale_v")
_END_TO_END = "end_to_end_sensitivity_db"


@dataclass(frozen=True, slots=True)
class TomlContent:
    """What campaign.toml states. Parts with faults are left out.

    What other files are checked against holds as much as is right: `station_ids` those of all stations, `places` and
    `claims` the positions and the globs that are right in themselves. So every fault is said at once, and once only.
    """

    campaign: CampaignPart | None
    systems: tuple[System, ...]
    stations: tuple[Station, ...]
    settings: Settings
    time_zone: str
    station_ids: frozenset[str]
    system_ids: frozenset[str]
    start_times: dict[str, dict[str, datetime]]  # by table and recording
    places: tuple[Place, ...]
    claims: tuple[Claim, ...]
    check_files: tuple[tuple[str, str], ...]  # field and file of each field check
    criteria: tuple[Criterion, ...]
    periods: tuple[StatedPeriod, ...]
    vessel_passages: tuple[VesselPassage, ...]


def read_settings(path: Path, findings: Findings) -> TomlContent | None:
    """Read and check campaign.toml; None where it cannot be read at all."""
    raw = read_toml(path, FILE, findings)
    if raw is None:
        return None
    faulty: FaultyPlaces = set()
    try:
        CampaignToml.model_validate(raw)
    except ValidationError as error:
        add_schema_faults(error, FILE, findings)
        faulty = {details["loc"][:n] for details in error.errors() for n in (1, 2, 3)}
    _check_systems(raw, findings)
    _check_stations(raw, findings)
    _check_sections(raw, findings)
    _check_passages(raw, findings)
    for name in ("limits", "periods"):
        _check_unique_ids(raw, name, findings)

    def section(name: str) -> Any:
        return {} if (name,) in faulty else raw.get(name, {})

    settings = SettingsPart.model_validate(section("settings")).model_dump()
    curves = _read_curves(raw, faulty, path.parent, findings)
    systems = tuple(
        _system(part, curves.get(i, ())) for i, part in _tables(raw, "systems") if ("systems", i) not in faulty
    )
    note_implausible_chains(systems, findings)
    return TomlContent(
        campaign=None if ("campaign",) in faulty else CampaignPart.model_validate(raw["campaign"]),
        systems=systems,
        stations=tuple(_station(part) for i, part in _tables(raw, "stations") if ("stations", i) not in faulty),
        settings=Settings(**settings | {"weightings": with_sets_resolved(settings["weightings"])}),
        time_zone=RecordingsPart.model_validate(section("recordings")).time_zone,
        station_ids=frozenset(_ids(raw, "stations")),
        system_ids=frozenset(_ids(raw, "systems")),
        start_times=_read_start_times(raw, faulty, path.parent, findings),
        places=_places(raw, faulty),
        claims=_claims(raw, faulty),
        check_files=tuple(
            (f"systems[{i}].checks[{j}].file", check.file)
            for i, part in _tables(raw, "systems")
            if ("systems", i) not in faulty
            for j, check in enumerate(SystemPart.model_validate(part).checks)
        ),
        criteria=_criteria(raw, faulty, settings, path.parent, findings),
        periods=tuple(_period(part) for i, part in _tables(raw, "periods") if ("periods", i) not in faulty),
        vessel_passages=tuple(
            VesselPassage(**VesselPassagePart.model_validate(part).model_dump())
            for i, part in _tables(raw, "vessel_passages")
            if ("vessel_passages", i) not in faulty
        ),
    )


def _period(raw: dict[str, Any]) -> StatedPeriod:
    return StatedPeriod(**PeriodPart.model_validate(raw).model_dump())


def _criteria(
    raw: dict[str, Any], faulty: FaultyPlaces, settings: dict[str, Any], folder: Path, findings: Findings
) -> tuple[Criterion, ...]:
    """The sets that the settings name, and the limits of the permit."""
    limits = [LimitPart.model_validate(part) for i, part in _tables(raw, "limits") if ("limits", i) not in faulty]
    return chosen_criteria(settings["criteria"], settings["criteria_file"], limits, folder, findings)


def sound_speed_m_s(campaign: CampaignPart, findings: Findings) -> float:
    """Speed of sound in m/s: as stated, or by Mackenzie (1981) at mid-depth, or 1500 m/s with a note."""
    temperature, salinity = campaign.temperature_c, campaign.salinity
    if campaign.sound_speed_m_s is not None:
        if temperature is not None or salinity is not None:
            findings.note(f"{FILE}: sound_speed_m_s is stated; temperature_c and salinity serve the absorption only")
        return campaign.sound_speed_m_s
    if temperature is None or salinity is None:
        findings.note(f"{FILE}: no sound speed is stated; {DEFAULT_SOUND_SPEED_M_S:g} m/s is used")
        return DEFAULT_SOUND_SPEED_M_S
    if not within_mackenzie_1981(temperature, salinity):
        findings.note(f"{FILE}: temperature_c and salinity lie outside the range of the sound speed equation used")
    return mackenzie_1981(temperature, salinity, (campaign.water_depth_m or 0.0) / 2.0)


def _tables(raw: dict[str, Any], name: str) -> Iterator[tuple[int, dict[str, Any]]]:
    """Place and content of each table of an array of tables, as far as they are tables."""
    parts = raw.get(name)
    if isinstance(parts, list):
        yield from ((i, part) for i, part in enumerate(parts) if isinstance(part, dict))


def _ids(raw: dict[str, Any], name: str) -> list[str]:
    return [part["id"] for _, part in _tables(raw, name) if isinstance(part.get("id"), str)]


def _check_unique_ids(raw: dict[str, Any], name: str, findings: Findings) -> None:
    first: dict[str, int] = {}
    for i, part in _tables(raw, name):
        part_id = part.get("id")
        if isinstance(part_id, str) and first.setdefault(part_id, i) != i:
            found = f"{shown(part_id)} again (first in {name}[{first[part_id]}])"
            findings.fault(FILE, f"{name}[{i}].id", found, "each id only once")


def _check_systems(raw: dict[str, Any], findings: Findings) -> None:
    _check_unique_ids(raw, "systems", findings)
    for i, part in _tables(raw, "systems"):
        where = f"systems[{i}]"
        _check_form(part, where, findings)
        _check_components(part, where, findings)
        low, high = part.get("valid_from_hz", 10.0), part.get("valid_to_hz")
        if _is_number(low) and _is_number(high) and high <= low:
            findings.fault(FILE, f"{where}.valid_to_hz", shown(high), f"above valid_from_hz ({low:g} Hz)")
        checks = part.get("checks")
        for j, check in enumerate(checks if isinstance(checks, list) else []):
            if isinstance(check, dict):
                _check_field_check(check, f"{where}.checks[{j}]", findings)


def _check_components(part: dict[str, Any], where: str, findings: Findings) -> None:
    """The known parts of a chain's uncertainty cannot be more than the whole."""
    parts, whole = part.get("uncertainty_components_db"), part.get("standard_uncertainty_db")
    if isinstance(parts, dict) and isinstance(whole, int | float):
        together = sum(value**2 for value in parts.values() if _is_number(value)) ** 0.5
        if together > whole + 0.05:
            found = f"components that combine to {together:.2f} dB"
            needed = f"at most standard_uncertainty_db ({whole:g} dB), which is that of the whole chain"
            findings.fault(FILE, f"{where}.uncertainty_components_db", found, needed)


def _check_form(part: dict[str, Any], where: str, findings: Findings) -> None:
    """A chain is stated by its three stages or by one end-to-end sensitivity."""
    stages = [key for key in _STAGES if key in part or (key == "sensitivity_db" and "sensitivity_curve" in part)]
    either = f"either {', '.join(_STAGES)}, or {_END_TO_END}"
    if stages and _END_TO_END in part:
        findings.fault(FILE, where, f"{_END_TO_END} together with {', '.join(stages)}", either)
    elif not stages and _END_TO_END not in part:
        findings.fault(FILE, where, "no sensitivity", either)
    elif stages and len(stages) < len(_STAGES):
        missing = ", ".join(key for key in _STAGES if key not in stages)
        findings.fault(FILE, where, f"{', '.join(stages)} without {missing}", either)


def _check_field_check(check: dict[str, Any], where: str, findings: Findings) -> None:
    if ("when" in check) == ("time_utc" in check):
        found = "both when and time_utc" if "when" in check else "neither when nor time_utc"
        findings.fault(FILE, where, found, 'when = "before" or "after", or time_utc')
    if (check.get("drift") == "step") != ("step_utc" in check):
        found = "step_utc without it" if "step_utc" in check else 'drift = "step" without step_utc'
        findings.fault(FILE, where, found, 'drift = "step" together with step_utc, or neither')
    time_utc, step_utc = (_moment(check.get(key)) for key in ("time_utc", "step_utc"))
    if time_utc is not None and step_utc is not None and step_utc <= time_utc:
        findings.fault(FILE, f"{where}.step_utc", shown(check["step_utc"]), "a time after the check's time_utc")


def _moment(value: object) -> datetime | None:
    """A time of the raw content, or None where it is not one (a fault that is found elsewhere)."""
    if isinstance(value, str) and not np.isnat(time := parse_utc([value])[0]):
        return as_datetime(time)
    return value if isinstance(value, datetime) and value.tzinfo is not None else None


def _check_stations(raw: dict[str, Any], findings: Findings) -> None:
    _check_unique_ids(raw, "stations", findings)
    systems = sorted(set(_ids(raw, "systems")))
    for i, part in _tables(raw, "stations"):
        system = part.get("system")
        if isinstance(system, str) and system not in systems:
            known = f"the id of one of the systems ({plain(', '.join(systems))})"
            findings.fault(FILE, f"stations[{i}].system", shown(system), known, suggestion(system, systems))
        if ("latitude_deg" in part) != ("longitude_deg" in part):
            found = "one of latitude_deg and longitude_deg"
            findings.fault(FILE, f"stations[{i}]", found, "both, or neither where ranges.csv gives the distances")


def _check_sections(raw: dict[str, Any], findings: Findings) -> None:
    campaign, settings = raw.get("campaign"), raw.get("settings")
    if isinstance(campaign, dict) and "sound_speed_m_s" not in campaign:
        given = [key for key in ("temperature_c", "salinity") if key in campaign]
        if len(given) == 1:
            findings.fault(FILE, "campaign", f"{given[0]} alone", "temperature_c and salinity, or sound_speed_m_s")
    if isinstance(settings, dict) and settings.get("calibration_source") == "field_checks":
        used = [part.get("system") for _, part in _tables(raw, "stations")]
        for i, part in _tables(raw, "systems"):
            if part.get("id") in used and not part.get("checks"):
                needed = "a field check of each system in use, where calibration_source is field_checks"
                findings.fault(FILE, f"systems[{i}]", "no [[systems.checks]]", needed)


def _check_passages(raw: dict[str, Any], findings: Findings) -> None:
    stations = sorted(set(_ids(raw, "stations")))
    for i, part in _tables(raw, "vessel_passages"):
        station = part.get("station_id")
        if isinstance(station, str) and station not in stations:
            known = f"the id of one of the stations ({plain(', '.join(stations))}), or none for all"
            hint = suggestion(station, stations)
            findings.fault(FILE, f"vessel_passages[{i}].station_id", shown(station), known, hint)


def _right_in(raw: dict[str, Any], keys: Sequence[str], faulty: FaultyPlaces) -> list[tuple[int, dict[str, Any]]]:
    """The stations that are right in these keys."""
    return [(i, part) for i, part in _tables(raw, "stations") if not {("stations", i, key) for key in keys} & faulty]


def _places(raw: dict[str, Any], faulty: FaultyPlaces) -> tuple[Place, ...]:
    stations = [part for _, part in _right_in(raw, ("id", *_POSITION), faulty)]
    return tuple(
        Place(part["id"], *(float(part.get(key, nan)) for key in _POSITION))
        for part in stations
        if (_POSITION[0] in part) == (_POSITION[1] in part)
    )


def _claims(raw: dict[str, Any], faulty: FaultyPlaces) -> tuple[Claim, ...]:
    return tuple(
        Claim(f"stations[{i}].recordings", part["recordings"], part.get("channel", 1), str(part.get("id")))
        for i, part in _right_in(raw, ("recordings", "channel"), faulty)
    )


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _read_curves(raw: dict[str, Any], faulty: FaultyPlaces, folder: Path, findings: Findings) -> dict[int, Curve]:
    """The sensitivity curves by number of their system."""
    curves = {}
    for i, part in _tables(raw, "systems"):
        if "sensitivity_curve" in part and ("systems", i) not in faulty:
            where = f"systems[{i}].sensitivity_curve"
            curves[i] = read_curve(folder, part["sensitivity_curve"], FILE, where, findings) or ()
    return curves


def _system(raw: dict[str, Any], curve: Curve) -> System:
    """A system; one that states a curve alone gets the curve's value at 1 kHz as the sensitivity of its chain."""
    values = SystemPart.model_validate(raw).model_dump(exclude={"sensitivity_curve", "checks"})
    if curve and values["sensitivity_db"] is None:
        values["sensitivity_db"] = sensitivity_at(curve, REFERENCE_HZ)
    values["sensitivity_curve"] = curve
    parts = values["uncertainty_components_db"]
    values["uncertainty_components_db"] = {name: value for name, value in parts.items() if value is not None}
    checks = SystemPart.model_validate(raw).checks
    return System(**values, checks=tuple(FieldCheck(**check.model_dump()) for check in checks))


def _read_start_times(
    raw: dict[str, Any], faulty: FaultyPlaces, folder: Path, findings: Findings
) -> dict[str, dict[str, datetime]]:
    """The tables of start times that stations name, each read once."""
    found: dict[str, dict[str, datetime]] = {}
    for i, part in _right_in(raw, ("start_times",), faulty):
        name = part.get("start_times")
        if name is not None and name not in found:
            found[name] = read_start_times(folder, name, FILE, f"stations[{i}].start_times", findings)
        if name is not None and "time_pattern" in part:
            findings.note(f"{FILE}: stations[{i}] states start_times; its time_pattern is not used")
    return found


def _station(raw: dict[str, Any]) -> Station:
    values = StationPart.model_validate(raw).model_dump()
    return Station(**values | {"mooring_id": values["mooring_id"] or values["id"]})
