"""Tables of how it was measured: stations, calibration chains, clocks, recordings."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan

import numpy as np

from reconcile.campaign.station_periods import BEGINNING_US, StationPeriod, station_periods
from reconcile.campaign.times import as_datetime, epoch_us
from reconcile.report.evidence import Evidence
from reconcile.report.formatting import (
    MISSING,
    count,
    decibels,
    hertz,
    instant,
    length_of_time,
    percent,
    significant,
    with_error,
)
from reconcile.report.tables.table import Body, Head, Table, one_body, text
from reconcile.vocabulary.documents.campaign import Pile
from reconcile.vocabulary.documents.manifest import ChainEntry, LogClockEntry, RecordingEntry

_HIGHEST_SHARE = 0.45  # of the sampling rate, where no upper end is stated
_DIGEST_SHOWN = 16
_POINTS_SHOWN = 12  # of a sensitivity curve
_CURVE_NOTE = (
    ". The sensitivity follows a curve ({n} points), by which the pressure itself is corrected relative to the line "
    "“hydrophone”; beyond the curve its end values hold, and bands there are left out"
)


def station_table(evidence: Evidence) -> Table:
    """Stations from near to far: place, depths, chain, stated clock; a row for each deployment of a station."""
    periods = {name: station_periods(evidence.campaign, name) for name in evidence.station_ids}
    changes = any(len(own) > 1 for own in periods.values())
    head = (
        *text("Station", *(("From (UTC)",) if changes else ()), "Chain"),
        Head("Channel"),
        Head("Latitude", "°"),
        Head("Longitude", "°"),
        Head("Hydrophone depth", "m"),
        Head("Water depth", "m"),
        Head("Stated clock offset", "s"),
        Head("Stated drift", "ppm"),
        Head("Recorded", numeric=False),
    )
    rows = []
    for name, own in periods.items():
        for period in own:
            seconds = _recorded_s(evidence, period)
            if len(own) > 1 and not seconds:
                continue
            system = period.system
            several = len({p.system.gain_db for p in own if p.system.id == system.id}) > 1
            rows.append(
                (
                    name,
                    *((_beginning(period),) if changes else ()),
                    f"{system.id}, gain {decibels(system.gain_db)} dB" if several else system.id,
                    str(period.channel),
                    _degrees(period.latitude_deg),
                    _degrees(period.longitude_deg),
                    significant(period.hydrophone_depth_m),
                    significant(period.water_depth_m),
                    significant(period.clock_offset_s),
                    significant(period.clock_drift_ppm),
                    length_of_time(seconds) if seconds else "nothing",
                )
            )
    return one_body(head, rows)


def _recorded_s(evidence: Evidence, period: StationPeriod) -> float:
    """Seconds that a station recorded in a period."""
    own = [stream for stream in evidence.manifest.streams if stream.station_id == period.station_id]
    held = [
        min(epoch_us(stream.end_utc), period.end_us) - max(epoch_us(stream.start_utc), period.start_us)
        for stream in own
    ]
    return sum(max(0, microseconds) for microseconds in held) / 1e6


def _beginning(period: StationPeriod) -> str:
    return (
        "the beginning"
        if period.start_us == BEGINNING_US
        else instant(as_datetime(np.datetime64(period.start_us, "us")))
    )


def _degrees(value: float | None) -> str:
    return MISSING if value is None or isnan(value) else f"{value:.5f}".replace("-", "−")


def chain_table(evidence: Evidence) -> Table:
    """Each measuring chain stage by stage: units on both sides, the product in pascals, uncertainty, full band."""
    head = (
        Head("Stage", numeric=False),
        Head("From", numeric=False),
        Head("To", numeric=False),
        Head("Value"),
        Head("Unit", numeric=False),
    )
    rates = _rates_by_system(evidence)
    bodies = []
    for chain in evidence.manifest.chains:
        rows: list[tuple[str, ...]] = [
            (stage.name, stage.from_unit, stage.to_unit, decibels(stage.value, 2), stage.unit) for stage in chain.stages
        ]
        rows[1:1] = _curve_rows(chain)
        rows.append(
            ("together", "full scale (1.0)", "Pa", significant(chain.pascals_per_unit, 5), "Pa for sample value 1")
        )
        uncertainty = f"standard uncertainty {decibels(chain.standard_uncertainty_db)} dB"
        if chain.effective_standard_uncertainty_db is not None:
            uncertainty += f", {decibels(chain.effective_standard_uncertainty_db)} dB with the field checks"
        note = f"{uncertainty}; full band {_band(chain, rates)}"
        if chain.sensitivity_curve:
            note += _CURVE_NOTE.format(n=len(chain.sensitivity_curve))
        bodies.append(Body(tuple(rows), _chain_title(chain, evidence.manifest.chains), note))
    return Table(head, tuple(bodies))


def _chain_title(chain: ChainEntry, chains: Sequence[ChainEntry]) -> str:
    """The system's name, with its gain where deployments changed that."""
    gains = [stage.value for stage in chain.stages if stage.name == "amplifier"]
    if gains and sum(other.system_id == chain.system_id for other in chains) > 1:
        return f"{chain.system_id}, gain {decibels(gains[0])} dB"
    return chain.system_id


def _curve_rows(chain: ChainEntry) -> list[tuple[str, ...]]:
    """The points of a sensitivity curve; of a long one those at its ends and its extremes."""
    points = chain.sensitivity_curve
    if len(points) > _POINTS_SHOWN:
        by_value = sorted(points, key=lambda point: point[1])
        points = tuple(sorted({points[0], by_value[0], by_value[-1], points[-1]}))
    return [(f"its curve at {hertz(f)}", "µPa", "V", decibels(s, 2), "dB re 1 V/µPa") for f, s in points]


def _rates_by_system(evidence: Evidence) -> dict[str, set[int]]:
    """Sampling rates of the recordings that each chain made."""
    rate = {entry.recording: entry.rate_hz for entry in evidence.manifest.recordings}
    systems = {station.id: station.system for station in evidence.campaign.stations}
    found: dict[str, set[int]] = {}
    for stream in evidence.manifest.streams:
        system = stream.system_id or systems.get(stream.station_id)
        if system is not None:
            found.setdefault(system, set()).update(rate[name] for name in stream.recordings if name in rate)
    return found


def _band(chain: ChainEntry, rates: dict[str, set[int]]) -> str:
    if chain.valid_to_hz is not None:
        return f"{hertz(chain.valid_from_hz)} to {hertz(chain.valid_to_hz)}"
    ends = " or ".join(hertz(_HIGHEST_SHARE * rate) for rate in sorted(rates.get(chain.system_id, set())))
    share = f"{_HIGHEST_SHARE:g} of the sampling rate"
    return f"{hertz(chain.valid_from_hz)} to {ends} ({share})" if ends else f"{hertz(chain.valid_from_hz)} to {share}"


def log_clock_table(evidence: Evidence) -> Table:
    """How each hammer log lies against the stations' clocks."""
    head = (
        Head("Pile", numeric=False),
        Head("Offset of the log", "s"),
        Head("Drift of the log", "ppm"),
        Head("Scatter of the matches", "s"),
        Head("Blows logged"),
        Head("Blows matched"),
        Head("Confidence"),
        Head("Remarks", numeric=False),
    )
    rows = [
        (
            entry.pile_id,
            _with_error(entry.offset_s, entry.offset_standard_error_s, 3),
            _with_error(entry.drift_ppm, entry.drift_standard_error_ppm, 1),
            decibels(entry.residual_sd_s, 3),
            str(entry.n_blows),
            str(entry.n_matched),
            percent(entry.confidence),
            _log_remarks(entry),
        )
        for entry in evidence.manifest.clocks.hammer_logs
    ]
    return one_body(head, rows)


def _with_error(value: float | None, error: float | None, digits: int) -> str:
    if value is None or error is None:
        return decibels(value, digits)
    return with_error(value, error, digits)


def _log_remarks(entry: LogClockEntry) -> str:
    remarks = ["ambiguous: not used"] if entry.ambiguous else []
    if entry.resolution_s > 0.05:
        remarks.append(f"times in steps of {significant(entry.resolution_s)} s, rounded or cut")
    return "; ".join(remarks)


def station_clock_table(evidence: Evidence) -> Table:
    """What each recorder's clock was found to be off, against the mean of all."""
    clocks = evidence.manifest.clocks
    if not clocks.recorders:
        few = (Head("Station", numeric=False), Head("Clock found off by", "s"))
        offsets = clocks.station_offsets_s
        return one_body(few, [(n, decibels(offsets[n], 3)) for n in evidence.station_ids if n in offsets])
    head = (
        *text("Station"),
        Head("Clock found off by", "s"),
        Head("Drift", "ppm"),
        *text("Offset is that at (UTC)"),
        Head("Strikes compared"),
        Head("Piles"),
        Head("Remarks", numeric=False),
    )
    place = {name: k for k, name in enumerate(evidence.station_ids)}
    rows = [
        (
            entry.station_id,
            _with_error(entry.offset_s, entry.offset_standard_error_s, 3),
            _with_error(entry.drift_ppm, entry.drift_standard_error_ppm, 2),
            MISSING if entry.at_utc is None else instant(entry.at_utc),
            count(entry.n_strikes),
            str(entry.n_piles),
            "cannot be decided: strikes too regular, or too few" if entry.ambiguous else "",
        )
        for entry in sorted(clocks.recorders, key=lambda entry: place.get(entry.station_id, len(place)))
    ]
    return one_body(head, rows)


def recordings_table(evidence: Evidence) -> Table:
    """Recordings that were used, a body for each folder of them."""
    head = (
        Head("Recording", numeric=False),
        Head("Rate", "Hz"),
        Head("Channels"),
        Head("Format", numeric=False),
        Head("Length", numeric=False),
        Head("SHA-256, first digits", numeric=False),
    )
    grouped: dict[str, list[RecordingEntry]] = {}
    for entry in evidence.manifest.recordings:
        folder, _, _ = entry.recording.rpartition("/")
        grouped.setdefault(folder, []).append(entry)
    bodies = tuple(
        Body(tuple(_recording_row(entry, evidence.manifest.inputs) for entry in own), folder or "campaign folder")
        for folder, own in grouped.items()
    )
    return Table(head, bodies)


def _recording_row(entry: RecordingEntry, digests: dict[str, str | None]) -> tuple[str, ...]:
    digest = digests.get(entry.recording)
    return (
        entry.recording.rpartition("/")[2],
        str(entry.rate_hz),
        str(entry.channels),
        entry.sample_format.replace("_", " "),
        length_of_time(entry.frames / entry.rate_hz),
        digest[:_DIGEST_SHOWN] if digest else "not taken",
    )


def pile_table(evidence: Evidence) -> Table:
    """The piles in the order of their installation."""
    head = (
        *text("Pile", "Foundation and method"),
        Head("Diameter", "m"),
        Head("Water depth", "m"),
        Head("Rated energy", "kJ"),
        *text("Start (UTC)", "End (UTC)"),
        Head("Strikes heard"),
        Head("Blows logged"),
        *text("Prediction"),
    )
    heard = evidence.struck.groupby("pile_id")["strike_id"].nunique()
    logged = evidence.campaign.n_logged or {}
    rows = [
        (
            pile.pile_id,
            f"{pile.foundation_type.replace('_', ' ')}, {_work_words(evidence, pile)}",
            significant(pile.diameter_m),
            significant(pile.water_depth_m),
            significant(pile.rated_energy_kj),
            instant(pile.start_utc),
            instant(pile.end_utc),
            str(int(heard.get(pile.pile_id, 0))) if _struck(evidence, pile) else MISSING,
            str(logged[pile.pile_id]) if logged.get(pile.pile_id) else MISSING,
            pile.prediction_id or "none",
        )
        for pile in evidence.piles
    ]
    return one_body(head, rows)


def _work_words(evidence: Evidence, pile: Pile) -> str:
    """Method and abatement of each state that a pile was in."""
    held = (
        (s.installation_method, "" if s.abatement == "none" else f", {s.abatement}") for s in _states(evidence, pile)
    )
    return "; ".join(f"{method}{abatement}" for method, abatement in held)


def _struck(evidence: Evidence, pile: Pile) -> bool:
    return any(state.installation_method == "impact" for state in _states(evidence, pile))


def _states(evidence: Evidence, pile: Pile) -> tuple[Pile, ...]:
    return tuple(state for state in evidence.pile_states if state.pile_id == pile.pile_id)
