"""How a chain's sensitivity went in time by its field checks: correction of levels, uncertainty of a system."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from reconcile.recordings.clock import epoch_us
from reconcile.recordings.streams import Stream
from reconcile.vocabulary.documents.campaign import Campaign, Settings, System
from reconcile.vocabulary.documents.manifest import FieldCheckEntry
from reconcile.vocabulary.quantities import FloatArray

Spans = Mapping[tuple[str, str], tuple[int, int]]  # by station and system: first and last sample, µs since 1970


@dataclass(frozen=True, slots=True)
class SensitivityPath:
    """Derived less stated sensitivity of one system at one station: a line through (time, dB), held beyond its ends."""

    time_us: NDArray[np.int64]
    difference_db: FloatArray

    def difference_at(self, time_us: NDArray[np.int64]) -> FloatArray:
        """Difference in dB at some times (microseconds since 1970)."""
        origin = self.time_us[0]
        since = np.asarray(time_us, dtype=np.int64) - origin
        return np.asarray(np.interp(since, self.time_us - origin, self.difference_db), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class SensitivityPaths:
    """The paths that levels follow, by station and system; empty where levels follow the certificate."""

    paths: Mapping[tuple[str, str], SensitivityPath]

    def correction_db(self, station_id: str, system_id: str, time_us: NDArray[np.int64]) -> FloatArray:
        """What is added to levels that were made with the stated chain: the chain is as much less sensitive."""
        path = self.paths.get((station_id, system_id))
        return np.zeros(len(time_us)) if path is None else -path.difference_at(time_us)


def station_spans(streams: Sequence[Stream]) -> dict[tuple[str, str], tuple[int, int]]:
    """First and last sample of each system at each station, by the station's stated clock."""
    spans: dict[tuple[str, str], tuple[int, int]] = {}
    for stream in streams:
        ends = stream.recorder_us(np.array([0.0, float(stream.n_samples)]))
        for channel in stream.channels:
            start, end = (int(us) for us in channel.clock.utc_us(ends))
            first, last = spans.get((channel.station_id, channel.system_id), (start, end))
            spans[channel.station_id, channel.system_id] = (min(first, start), max(last, end))
    return spans


def sensitivity_path(entries: Sequence[FieldCheckEntry], span_us: tuple[int, int]) -> tuple[SensitivityPath, list[str]]:
    """The path through one system's checks that can be used (one at least), and what is odd about it.

    A check without a time stands at the first or last sample of the span. Checks of one time count as their mean.
    """
    timed = sorted(((_time_us(entry, span_us), entry) for entry in entries), key=lambda item: item[0])
    points = []
    for time_us, group in groupby(timed, key=lambda item: item[0]):
        checks = [entry for _, entry in group]
        step = next((entry for entry in checks if entry.drift == "step"), checks[-1])
        points.append((time_us, float(np.mean([entry.difference_db for entry in checks])), step))
    times, values, oddities = [points[0][0]], [points[0][1]], []
    for (time_us, value, entry), (next_us, next_value, _) in pairwise(points):
        if entry.step_utc is not None:
            step_us = epoch_us(entry.step_utc)
            if time_us < step_us <= next_us:
                times += [step_us - 1, step_us]
                values += [value, next_value]
            else:
                oddities.append(f"step_utc of the field check {entry.file} lies outside the time until the next check")
        times.append(next_us)
        values.append(next_value)
    latest = points[-1][2]
    if latest.step_utc is not None:
        oddities.append(f"the field check {latest.file} states a step, but no later check says how large it was")
    return _rising(times, values), oddities


def _rising(times: Sequence[int], values: Sequence[float]) -> SensitivityPath:
    """A path whose times rise: of points at one time the last holds."""
    last = dict(zip(times, values, strict=True))
    return SensitivityPath(np.array(list(last), dtype=np.int64), np.array(list(last.values())))


def _time_us(entry: FieldCheckEntry, span_us: tuple[int, int]) -> int:
    if entry.time_utc is not None:
        return epoch_us(entry.time_utc)
    return span_us[0] if entry.when == "before" else span_us[1]


def sensitivity_paths(
    entries: Sequence[FieldCheckEntry], settings: Settings, spans: Spans
) -> tuple[SensitivityPaths, list[str]]:
    """The paths that levels follow by the campaign's `calibration_source`, and what is odd about the checks in time."""
    paths, oddities = {}, []
    for station_id, system_id in spans:
        usable = usable_checks(entries, system_id)
        if usable:
            path, odd = sensitivity_path(usable, spans[station_id, system_id])
            oddities += [f"system {system_id} at station {station_id}: {text}" for text in odd]
            paths[station_id, system_id] = path
    followed = paths if settings.calibration_source == "field_checks" else {}
    return SensitivityPaths(followed), oddities


def usable_checks(entries: Sequence[FieldCheckEntry], system_id: str) -> list[FieldCheckEntry]:
    """The checks of a system that gave a sensitivity."""
    return [entry for entry in entries if entry.system_id == system_id and entry.difference_db is not None]


def effective_uncertainty_db(system: System, entries: Sequence[FieldCheckEntry], settings: Settings) -> float | None:
    """Standard uncertainty of a system with what its field checks showed; None where there is none that can be used.

    The drift is half the range of the checks' differences over the square root of three (rectangular): the sensitivity
    lay somewhere within that range between two checks. Levels that follow the checks are as uncertain as the
    certificate, or the checks where these are less certain, and the drift. Levels that follow the certificate carry in
    addition what of the mean difference the two uncertainties do not explain: a known error that is not corrected
    (GUM, F.2.4.5).
    """
    usable = usable_checks(entries, system.id)
    if not usable:
        return None
    differences = np.array([entry.difference_db for entry in usable], dtype=np.float64)
    check = max(entry.standard_uncertainty_db or 0.0 for entry in usable)
    certificate, drift = system.standard_uncertainty_db, float(np.ptp(differences)) / 2 / sqrt(3)
    if settings.calibration_source == "field_checks":
        return sqrt(max(certificate, check) ** 2 + drift**2)
    unexplained = max(0.0, float(differences.mean()) ** 2 - certificate**2 - check**2)
    return sqrt(certificate**2 + drift**2 + unexplained)


def with_effective_uncertainty(campaign: Campaign, entries: Sequence[FieldCheckEntry]) -> Campaign:
    """The campaign, its systems' effective uncertainties by the field checks."""
    systems = tuple(
        system.model_copy(
            update={"effective_standard_uncertainty_db": effective_uncertainty_db(system, entries, campaign.settings)}
        )
        for system in campaign.systems
    )
    return campaign.model_copy(update={"systems": systems})
