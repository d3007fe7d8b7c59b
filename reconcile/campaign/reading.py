"""Reads a campaign folder: all of it, every fault at once, and freezes what it says."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from reconcile.campaign.activities import Record, read_activities, resolve_activities, within_activities
from reconcile.campaign.blows import HammerLog, n_logged, read_blows
from reconcile.campaign.decisions import FILE as DECISIONS
from reconcile.campaign.decisions import read_decisions
from reconcile.campaign.deployments import DEPLOYMENTS, TRACKS, Equipment, read_deployments, read_tracks
from reconcile.campaign.distances import usual_ranges
from reconcile.campaign.driving_log import n_counted, read_driving_log
from reconcile.campaign.faults import Findings, plain, shown
from reconcile.campaign.log_times import note_blows_outside
from reconcile.campaign.logged_driving import logged_driving
from reconcile.campaign.piles import PileList, read_piles
from reconcile.campaign.positions import read_ranges, resolve_ranges
from reconcile.campaign.predictions import PredictionList, read_predicted_ranges, read_predictions
from reconcile.campaign.recording_files import check_claims, check_file, claims_in_time, recording_files
from reconcile.campaign.settings import FILE, TomlContent, read_settings, sound_speed_m_s
from reconcile.campaign.stored_files import RecordingsFolder
from reconcile.vocabulary.criteria import Criterion
from reconcile.vocabulary.documents.campaign import (
    Campaign,
    Deployment,
    DrivingIncrement,
    PileStationRange,
    PredictedRange,
    Prediction,
    Settings,
    TrackPoint,
)
from reconcile.vocabulary.documents.decisions import Decision
from reconcile.vocabulary.errors import InputError, suggestion

READ = (
    "piles.csv",
    "blows.csv",
    "predictions.csv",
    "predicted_ranges.csv",
    "ranges.csv",
    DEPLOYMENTS,
    TRACKS,
    "activities.csv",
    "driving_log.csv",
    DECISIONS,
)


@dataclass(frozen=True, slots=True)
class _Content:
    """The files of a campaign as read; None where a file is not there or cannot be read."""

    toml: TomlContent | None
    piles: PileList | None
    log: HammerLog | None
    predictions: PredictionList | None
    predicted_ranges: tuple[PredictedRange, ...]
    ranges: tuple[PileStationRange, ...]
    deployments: tuple[Deployment, ...]
    tracks: tuple[TrackPoint, ...]
    activities: tuple[Record, ...]
    driving_log: tuple[DrivingIncrement, ...]
    decisions: tuple[Decision, ...]


def read_campaign(folder: Path, recordings: RecordingsFolder | None = None) -> tuple[Campaign, HammerLog | None]:
    """The campaign that a folder holds, and its hammer log if there is one.

    `recordings` is the folder, or its URL, to which the stations' globs are relative; the campaign folder unless given.
    Raises InputError with every fault of every file, MachineError where a file may not be read.
    """
    findings = Findings()
    root = folder if recordings is None else recordings
    for place, needed in ((folder, "a campaign folder"), (root, "a folder of recordings")):
        if isinstance(place, Path) and not place.is_dir():
            findings.fault(str(place), "", "no such folder", needed)
    findings.raise_if_any()
    content = _read(folder, findings)
    in_turn: frozenset[str] = frozenset()
    if content.toml is not None:
        claims = claims_in_time(content.toml.claims, content.toml.stations, content.deployments)
        in_turn = check_claims(claims, root, FILE, findings)
        _check_check_files(content.toml.check_files, (root, folder), findings)
    _check_folder(folder, content.toml.start_times if content.toml is not None else (), findings)
    findings.raise_if_any()
    return _freeze(content, in_turn, root, findings), content.log


def _check_check_files(
    check_files: Iterable[tuple[str, str]], roots: Sequence[RecordingsFolder], findings: Findings
) -> None:
    """The recordings of field checks are there."""
    for where, name in check_files:
        try:
            there = check_file(name, roots) is not None
        except InputError as error:
            for fault in error.faults:
                findings.fault(FILE, where, f"{fault.file}: {fault.found}", fault.needed)
            continue
        if not there:
            findings.fault(FILE, where, shown(name), "a recording in the campaign folder (or --recordings FOLDER)")


def _read(folder: Path, findings: Findings) -> _Content:
    def there(name: str) -> Path | None:
        path = folder / name
        return path if path.exists() else None

    toml = read_settings(folder / FILE, findings)
    predictions = read_predictions(path, findings) if (path := there("predictions.csv")) else None
    predicted_ranges = read_predicted_ranges(path, findings) if (path := there("predicted_ranges.csv")) else ()
    piles = read_piles(folder / "piles.csv", predictions.ids if predictions else None, findings)
    pile_ids = piles.ids if piles else None
    log = read_blows(path, pile_ids, findings) if (path := there("blows.csv")) else None
    if piles and log is not None:
        note_blows_outside(piles.piles, log, findings)
    station_ids = toml.station_ids if toml else None
    stated = read_ranges(path, pile_ids, station_ids, findings) if (path := there("ranges.csv")) else {}
    equipment = _equipment(toml) if toml else None
    deployments = read_deployments(path, equipment, findings) if (path := there(DEPLOYMENTS)) else ()
    tracks = read_tracks(path, station_ids, findings) if (path := there(TRACKS)) else ()
    activities = read_activities(path, pile_ids, findings) if (path := there("activities.csv")) else ()
    driving_log = read_driving_log(path, pile_ids, findings) if (path := there("driving_log.csv")) else ()
    decisions = read_decisions(path, station_ids, findings) if (path := there(DECISIONS)) else ()
    ranges: tuple[PileStationRange, ...] = ()
    if toml and piles and stated is not None:
        moving = {row.station_id for row in deployments if row.latitude_deg is not None}
        moving |= {point.station_id for point in tracks}
        ranges = resolve_ranges(piles.places, toml.places, stated, moving, findings)
    return _Content(
        toml, piles, log, predictions, predicted_ranges, ranges, deployments, tracks, activities, driving_log, decisions
    )


def _equipment(toml: TomlContent) -> Equipment:
    return Equipment(
        stations={station.id: station for station in toml.stations},
        systems={system.id: system for system in toml.systems},
        station_ids=toml.station_ids,
        system_ids=toml.system_ids,
    )


def _check_folder(folder: Path, named: Iterable[str], findings: Findings) -> None:
    """Tables that are not known are noted."""
    known = (*READ, *named)
    for path in sorted(folder.glob("*.csv")):
        if path.name not in known:
            hint = suggestion(path.name, known, alike=0.8)  # .csv alone makes names alike
            findings.note(f"the file {shown(path.name)} is not used" + (f"; {hint}" if hint else ""))


def _freeze(content: _Content, in_turn: frozenset[str], root: RecordingsFolder, findings: Findings) -> Campaign:
    """The campaign of content without faults."""
    toml, piles = content.toml, content.piles
    assert toml is not None
    assert toml.campaign is not None
    assert piles is not None
    predictions = content.predictions.predictions if content.predictions else ()
    _note_unused(content, findings)
    activities = resolve_activities(content.activities, piles.piles)
    campaign = Campaign(
        name=toml.campaign.name,
        water_depth_m=toml.campaign.water_depth_m,
        sound_speed_m_s=sound_speed_m_s(toml.campaign, findings),
        temperature_c=toml.campaign.temperature_c,
        salinity=toml.campaign.salinity,
        acidity_ph=toml.campaign.acidity_ph,
        common_uncertainty_db=toml.campaign.common_uncertainty_db,
        recordings_time_zone=toml.time_zone,
        settings=_with_weightings(toml.settings, (*predictions, *content.predicted_ranges, *toml.criteria)),
        systems=toml.systems,
        stations=tuple(s.model_copy(update={"deployed_only": s.id in in_turn}) for s in toml.stations),
        piles=within_activities(piles.piles, activities, findings),
        ranges=content.ranges,
        deployments=content.deployments,
        tracks=content.tracks,
        activities=activities,
        driving_log=content.driving_log,
        decisions=content.decisions,
        start_times=toml.start_times,
        predictions=predictions,
        predicted_ranges=content.predicted_ranges,
        criteria=toml.criteria,
        periods=toml.periods,
        vessel_passages=toml.vessel_passages,
        n_logged=_n_logged(content),
        logged_driving=logged_driving(content.log, content.driving_log),
    )
    counts = {station.id: len(recording_files(campaign, station, root)) for station in toml.stations}
    ranges = usual_ranges(campaign)
    _note_unknown_distances(campaign, ranges, findings)
    return campaign.model_copy(update={"ranges": ranges, "n_recordings": counts, "notes": tuple(findings.notes)})


def _n_logged(content: _Content) -> dict[str, int] | None:
    """Logged blows by pile: single ones where there are any, else the counts; None without a log."""
    assert content.piles is not None
    if content.log is None and not content.driving_log:
        return None
    pile_ids = [pile.pile_id for pile in content.piles.piles]
    single = n_logged(content.log, pile_ids) if content.log is not None else {}
    counted = n_counted(content.driving_log)
    return {pile_id: single.get(pile_id) or counted.get(pile_id, 0) for pile_id in pile_ids}


def _note_unknown_distances(campaign: Campaign, ranges: Sequence[PileStationRange], findings: Findings) -> None:
    """Piles during which a station that moves is nowhere."""
    known = {(r.pile_id, r.station_id) for r in ranges}
    for station in campaign.stations:
        missing = [pile.pile_id for pile in campaign.piles if (pile.pile_id, station.id) not in known]
        if missing:
            names = plain(", ".join(missing))
            findings.note(f"station {plain(station.id)}: its distance in the middle of {names} is not known")


def _with_weightings(settings: Settings, named: Sequence[Prediction | PredictedRange | Criterion]) -> Settings:
    """The settings, with the weightings that predictions and criteria need added."""
    added = [one.weighting for one in named if one.weighting != "none"]
    return settings.model_copy(update={"weightings": tuple(dict.fromkeys((*settings.weightings, *added)))})


def _note_unused(content: _Content, findings: Findings) -> None:
    """What was given, is right, and yet has no effect."""
    assert content.toml is not None
    assert content.piles is not None
    named = {pile.prediction_id for pile in content.piles.piles if pile.prediction_id}
    if content.predictions is None and named:
        findings.note("piles.csv: prediction_id is given, but there is no predictions.csv")
    for prediction_id in sorted(content.predictions.ids - named) if content.predictions else ():
        findings.note(f"predictions.csv: no pile has the prediction_id {shown(prediction_id)}")
