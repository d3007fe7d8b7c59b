"""What `trace` says of one strike's making, from the tables and the manifest alone."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import pandas as pd

from reconcile.audit.strike_rows import Row, Strike
from reconcile.campaign.station_periods import BEGINNING_US, END_US
from reconcile.recordings.calibration import chain
from reconcile.vocabulary.tables import strikes_table
from reconcile.vocabulary.tables.bands import exposure_column, is_at_most, noise_column

_N_BANDS = 61  # decidecades from 1 Hz to 1 MHz
_LOUDEST = 5
_MADE_OF = {  # what stands behind a level of the table
    "peak_level_db": "20 lg of the largest absolute pressure in the pulse interval",
    "peak_compression_level_db": "20 lg of the largest pressure in the pulse interval",
    "peak_rarefaction_level_db": "20 lg of the largest fall below zero in the pulse interval",
    "oversampled_peak_level_db": "the largest absolute pressure at four times the rate, around the largest sample",
    "peak_to_peak_level_db": "20 lg of largest less smallest pressure in the pulse interval",
    "exposure_level_lower_95_db": "exposure less 1.96 standard uncertainties of what the background leaves",
    "exposure_level_upper_95_db": "exposure and 1.96 standard uncertainties of what the background leaves",
    "exposure_level_db": "exposure of the pulse interval less the background's mean square times its length",
    "unsubtracted_exposure_level_db": "sum of squares over the pulse interval, over the rate",
    "rms_level_db": "0.9 of the exposure over the 5-95 % duration",
    "signal_to_noise_db": "exposure over the background's in the 5-95 % duration",
    "noise_level_db": "mean square of the quiet stretch before the strike",
}
_SHAPES = ("pulse_duration_s", "effective_duration_s", "rise_time_s", "kurtosis", "strike_interval_s")
_CENSORING = {
    "at_least": "AT LEAST this: samples at full scale or at an amplifier's limit",
    "at_most": "AT MOST this: too faint against its background, the column holds the limit",
}


_PEAK_CENSORING = {
    "peak_level_db": "peak_censoring",
    "peak_to_peak_level_db": "peak_censoring",
    "oversampled_peak_level_db": "peak_censoring",
    "peak_compression_level_db": "peak_compression_censoring",
    "peak_rarefaction_level_db": "peak_rarefaction_censoring",
}


def heading(strike: Strike) -> list[str]:
    """The strike in two lines: pile, blow, energy, stations; and the run."""
    first = strike.rows[0]
    pile = f"pile {first['pile_id']}" if first["pile_id"] is not None else "no pile was being driven"
    blow = (
        f"blow {int(first['blow_number'])} of the hammer log" if first["blow_number"] is not None else "no logged blow"
    )
    energy = f"{first['energy_kj']:g} kJ" if first["energy_kj"] is not None else "energy not known"
    manifest = strike.manifest
    version = manifest.versions.get("reconcile", "unknown")
    state = "complete" if manifest.complete else "INCOMPLETE (a command is at work, or was interrupted)"
    return [
        f"Strike {strike.strike_id}: {pile}, {blow}, {energy}; rows at {len(strike.rows)} stations",
        f"Campaign {strike.campaign.name!r}; made by reconcile {version}; results {state}",
    ]


def origin_lines(strike: Strike, row: Row) -> Iterator[str]:
    """Where the strike was heard: station, clock, log, chain, recording, samples."""
    distance = "distance not known" if row["range_m"] is None else f"{row['range_m']:.1f} m from the pile"
    known = row.get("range_standard_uncertainty_m")
    spread = "" if known is None else f" (standard uncertainty {known:g} m)"
    yield f"Station {row['station_id']}: {distance}{spread}; place {row['mooring_id']}"
    yield f"  Arrival {_utc(row['time_utc'].to_pydatetime())} (5 % of the energy, by the station's stated clock)"
    yield from _clock_lines(strike, row)
    yield from _chain_lines(strike, row)
    if row["recording"] is None:
        yield "  Recording: none is named"
        return
    entry = next((e for e in strike.manifest.recordings if e.recording == row["recording"]), None)
    format_ = "" if entry is None else f": {entry.rate_hz} Hz, channel {strike.period(row).channel} of {entry.channels}"
    format_ += "" if entry is None else f", {entry.frames} frames, {entry.sample_format}"
    yield f"  Recording {row['recording']}{format_}"
    if entry is not None and row["start_sample"] is not None and row["window_s"] is not None:
        first = int(row["start_sample"])
        last = first + round(row["window_s"] * entry.rate_hz) - 1
        across = "" if last < entry.frames else f" (the last {last - entry.frames + 1} in the next file)"
        yield f"    pulse interval: samples {first} to {last} from 0, {row['window_s'] * 1000:.0f} ms{across}"


def _clock_lines(strike: Strike, row: Row) -> Iterator[str]:
    period = strike.period(row)
    if period.clock_offset_s or period.clock_drift_ppm:
        yield f"  Clock as stated: offset {period.clock_offset_s:g} s, drift {period.clock_drift_ppm:g} ppm (applied)"
    clocks = strike.manifest.clocks
    for log in clocks.hammer_logs:
        if log.pile_id == row["pile_id"]:
            spread = "" if log.residual_sd_s is None else f", residuals {log.residual_sd_s * 1000:.1f} ms"
            doubt = ", AMBIGUOUS" if log.ambiguous else ""
            yield (
                f"  Hammer log against the stations: {log.offset_s:+.3f} s, drift {log.drift_ppm:+.1f} ppm, "
                f"{log.n_matched} of {log.n_blows} blows matched{spread}{doubt} (for matching only)"
            )
    offset = clocks.station_offsets_s.get(row["station_id"])
    if offset is not None:
        yield f"  Clock found: this station {offset:+.3f} s against the stations' mean (for matching only)"
    for found in clocks.recorders:
        if found.station_id == row["station_id"]:
            drift = "" if found.drift_ppm is None else f", drift {found.drift_ppm:+.1f} ppm"
            size = "AMBIGUOUS" if found.offset_s is None else f"{found.offset_s:+.3f} s{drift}"
            since = "" if found.at_utc is None else f" at {_utc(found.at_utc)}"
            yield f"    by {found.n_strikes} strikes of {found.n_piles} piles: {size}{since}"


def _chain_lines(strike: Strike, row: Row) -> Iterator[str]:
    period = strike.period(row)
    system, used = period.system, chain(period.system)
    stages = "; ".join(f"{s.name} {s.value:g} {s.unit} ({s.from_unit} to {s.to_unit})" for s in used.stages)
    yield f"  Chain {system.id}: {stages}"
    yield f"    sample value 1.0 = {used.pascals_per_unit:.6g} Pa"
    if period.deployed:
        until = "on" if period.end_us == END_US else f"until {_utc_us(period.end_us)}"
        since = "the beginning" if period.start_us == BEGINNING_US else _utc_us(period.start_us)
        yield f"    as deployments.csv states for the time from {since} {until}"
    if system.sensitivity_curve:
        low, high = system.sensitivity_curve[0], system.sensitivity_curve[-1]
        yield (
            f"    sensitivity curve of {len(system.sensitivity_curve)} points, {low[0]:g} Hz to {high[0]:g} Hz "
            f"({low[1]:g} to {high[1]:g} dB re 1 V/µPa), corrected in the pressure itself"
        )
    upper = "0.45 of the sampling rate" if system.valid_to_hz is None else f"{system.valid_to_hz:g} Hz"
    yield f"    full band {system.valid_from_hz:g} Hz to {upper}"
    yield from _check_lines(strike, row)


def _check_lines(strike: Strike, row: Row) -> Iterator[str]:
    checks = [check for check in strike.manifest.field_checks if check.system_id == row["system_id"]]
    for check in checks:
        found = check.problem or f"{check.difference_db:+.2f} dB against the stated sensitivity"
        yield f"    field check {check.file}: {found}"
    if strike.campaign.settings.calibration_source == "field_checks":
        yield f"    levels follow the field checks: {strike.correction_db(row):+.3f} dB added to this strike"
    elif checks:
        yield "    levels follow the certificate; what the checks say is in the uncertainty"


def level_lines(strike: Strike, row: Row) -> Iterator[str]:
    """Every level of the row with its unit and what it is made of; bands; uncertainty."""
    yield "  Levels (full band unless said):"
    for column in strikes_table(strike.campaign.settings.weightings).columns:
        value = row.get(column.name)
        if not column.unit.startswith("dB") and column.name not in _SHAPES:
            continue
        shown = "null" if value is None else f"{value:.4g}" if not column.unit.startswith("dB") else f"{value:.2f}"
        unit = "" if value is None or column.unit == "1" else f" {column.unit}"
        meaning = _MADE_OF.get(column.name, column.meaning)
        yield f"    {column.name}: {shown}{unit} ({meaning}){_censored(row, column.name)}"
    yield from _band_lines(strike, row)
    yield from _uncertainty_lines(strike, row)


def _censored(row: Row, column: str) -> str:
    """What a level's own censoring says."""
    weighted = column.removeprefix("exposure_level_").removesuffix("_db")
    of_exposure = "exposure_censoring" if column == "exposure_level_db" else f"exposure_censoring_{weighted}"
    name = _PEAK_CENSORING.get(column, of_exposure)
    said = _CENSORING.get(row.get(name) or "")
    return f"; {said}" if said else ""


def _band_lines(strike: Strike, row: Row) -> Iterator[str]:
    table = strike.bands
    found = table[table["strike_id"].eq(strike.strike_id) & table["station_id"].eq(row["station_id"])]
    if found.empty:
        return
    levels = found.iloc[0]
    below = strike.campaign.settings.censor_below_snr_db
    bands = [n for n in range(_N_BANDS) if exposure_column(n) in found and pd.notna(levels[exposure_column(n)])]
    loudest = sorted(bands, key=lambda n: -float(levels[exposure_column(n)]))[:_LOUDEST]
    limits = [n for n in bands if is_at_most(levels[exposure_column(n)], levels[noise_column(n)], n, below)]
    parts = [f"{_band(n)} {float(levels[exposure_column(n)]):.1f}" for n in sorted(loudest)]
    yield (
        f"    bands: {len(bands)} decidecades, the loudest {', '.join(parts)} dB re 1 µPa² s; "
        f"{len(limits)} of them are limits"
    )


def _band(n: int) -> str:
    return exposure_column(n).removeprefix("exposure_level_").removesuffix("_db").replace("_", ".").replace("hz", " Hz")


def _uncertainty_lines(strike: Strike, row: Row) -> Iterator[str]:
    table = strike.uncertainty
    budget = table[table["pile_id"].eq(row["pile_id"]) & table["station_id"].eq(row["station_id"])]
    system = strike.campaign.system(row["system_id"])
    yield (
        f"  Uncertainty: chain {system.uncertainty_db:.2f} dB (certificate {system.standard_uncertainty_db:g} dB), "
        f"common to all chains {strike.campaign.common_uncertainty_db:g} dB; in the pile's mean exposure level:"
    )
    if budget.empty:
        yield "    no budget: the pile has no strike at this station that its summary uses"
    for entry in budget.itertuples():
        counted = "" if entry.counted else ", not counted"
        yield (
            f"    {entry.component}: {entry.standard_uncertainty_db:.3f} dB, common to the {entry.common_to}{counted} "
            f"({entry.source})"
        )


def _utc(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _utc_us(moment_us: int) -> str:
    return _utc(pd.Timestamp(moment_us, unit="us").to_pydatetime())
