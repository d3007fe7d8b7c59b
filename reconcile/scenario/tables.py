"""The text files of the demonstration campaign: campaign.toml, its tables, and the tables of truth."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path

from .driving import LOG_DRIFT_PPM, LOG_JITTER_S, LOG_OFFSET_S, Drive, log_rows
from .modeller import REFERENCE_RANGE_M, Prediction, predicted_range_m
from .site import MODEL_ID, SOUND_SPEED_M_S, Recorder, Session, Site, Station, System, range_between_m
from .sound import Heard

THRESHOLDS_DB = {
    ("exposure_level", "none"): (150.0, 160.0, 170.0),
    ("exposure_level", "nmfs-2024:LF"): (150.0, 160.0),
    ("peak_level", "none"): (180.0, 190.0),
}
PREDICTION_COLUMNS = (
    "prediction_id", "quantity", "weighting", "band_hz", "range_m", "level_db", "standard_deviation_db", "statistic",
    "energy_kj", "model_id", "abatement", "foundation_type", "installation_method",
)  # fmt: skip


def utc(when: datetime) -> str:
    """RFC 3339 with microseconds only where there are any."""
    return when.isoformat().replace("+00:00", "Z")


def write_text(path: Path, text: str) -> Path:
    """Write a text file; it appears under its name when it is complete."""
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(path.name + ".part")
    partial.write_text(text, encoding="utf-8", newline="")
    os.replace(partial, path)
    return path


def write_csv(path: Path, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> Path:
    """Write a table: times in UTC, floats as given, nothing as an empty cell."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([utc(cell) if isinstance(cell, datetime) else cell for cell in row])
    return write_text(path, buffer.getvalue())


def recording_stem(recorder: Recorder, session: Session, number: int, start_utc: datetime) -> str:
    """Name of a file without its ending: the start by the recorder's clock, or a number where a bext chunk has it."""
    if recorder.bext:
        return f"{recorder.recorder_id}_{session.piles[-1].pile_id}_{number:02d}"
    return start_utc.strftime(f"{recorder.recorder_id}_%Y%m%dT%H%M%S.%fZ")


def system_toml(system: System) -> str:
    """One `[[systems]]` table."""
    if system.end_to_end_sensitivity_db is not None:
        chain = f"end_to_end_sensitivity_db = {system.end_to_end_sensitivity_db}   # dB re (full scale)/uPa\n"
    else:
        chain = f"sensitivity_db = {system.sensitivity_db}   # dB re 1 V/uPa\ngain_db = {system.gain_db}\n"
        chain += f"full_scale_v = {system.full_scale_v}\n"
    return (
        f'[[systems]]\nid = "{system.system_id}"\n{chain}standard_uncertainty_db = {system.standard_uncertainty_db}\n'
    )


def station_toml(station: Station) -> str:
    """One `[[stations]]` table."""
    latitude_deg, longitude_deg = station.place.position_deg()
    name = station.recorder.recorder_id
    pattern = "" if station.recorder.bext else f'time_pattern = "{name}_%Y%m%dT%H%M%S.%fZ"\n'
    return (
        f'[[stations]]\nid = "{station.station_id}"\nsystem = "{station.system.system_id}"\n'
        f"channel = {station.channel}\n"
        f"latitude_deg = {latitude_deg:.7f}\nlongitude_deg = {longitude_deg:.7f}\n"
        f"hydrophone_depth_m = {station.hydrophone_depth_m}\nwater_depth_m = {station.water_depth_m}\n"
        f'recordings = "recordings/{name}/*.wav"\n{pattern}'
    )


def campaign_toml(site: Site) -> str:
    """campaign.toml."""
    head = (
        "# An invented wind farm: names, places, levels and errors are made up. What is true is in truth/README.md\n"
        f'format_version = 1\n\n[campaign]\nname = "{site.name}"\nwater_depth_m = 32.0\n'
        f"sound_speed_m_s = {SOUND_SPEED_M_S}\ncommon_uncertainty_db = {site.common_uncertainty_db}\n"
    )
    parts = [head, *map(system_toml, site.systems), *map(station_toml, site.stations)]
    return "\n".join(parts)


def write_inputs(
    folder: Path, site: Site, drives: Mapping[str, Drive], curves: Sequence[Prediction], seed: int
) -> Iterator[Path]:
    """Write piles.csv, blows.csv, predictions.csv, predicted_ranges.csv and, where the site states some, ranges.csv."""
    yield write_csv(
        folder / "piles.csv",
        ("pile_id", "foundation_type", "installation_method", "diameter_m", "water_depth_m", "latitude_deg",
         "longitude_deg", "rated_energy_kj", "abatement", "start_utc", "end_utc", "prediction_id"),
        pile_rows(site),
    )  # fmt: skip
    first_utc = site.sessions[0].start_utc
    logged = [
        row
        for session in site.sessions
        for pile in session.piles
        if pile.pile_id in drives
        for row in log_rows(drives[pile.pile_id], session, first_utc, seed)
    ]
    yield write_csv(folder / "blows.csv", ("pile_id", "blow_number", "time_utc", "energy_kj", "penetration_m"), logged)
    yield write_csv(folder / "predictions.csv", PREDICTION_COLUMNS, prediction_rows(site, curves))
    yield write_csv(
        folder / "predicted_ranges.csv",
        ("prediction_id", "quantity", "weighting", "threshold_db", "range_m", "model_id", "abatement", "statistic",
         "range_statistic", "energy_kj"),
        predicted_range_rows(curves),
    )  # fmt: skip
    if site.stated_ranges:
        piles = {pile.pile_id: pile for pile in site.piles}
        stations = {station.station_id: station for station in site.stations}
        stated = [
            (p, s, round(range_between_m(piles[p].place, stations[s].place), 1), 2.0) for p, s in site.stated_ranges
        ]
        yield write_csv(folder / "ranges.csv", ("pile_id", "station_id", "range_m", "standard_uncertainty_m"), stated)


def pile_rows(site: Site) -> Iterator[tuple[object, ...]]:
    """Rows of piles.csv."""
    for session in site.sessions:
        for pile in session.piles:
            margin_s = 4.0 if pile.installation_method == "impact" else 0.0
            start = session.start_utc + timedelta(seconds=int(pile.first_strike_s - margin_s))
            end = session.start_utc + timedelta(seconds=int(pile.last_strike_s + margin_s) + 1)
            latitude_deg, longitude_deg = pile.place.position_deg()
            yield (
                pile.pile_id, pile.foundation_type, pile.installation_method, pile.diameter_m, pile.water_depth_m,
                latitude_deg, longitude_deg, pile.rated_energy_kj, pile.abatement, start, end, pile.prediction_id,
            )  # fmt: skip


def prediction_rows(site: Site, curves: Sequence[Prediction]) -> Iterator[tuple[object, ...]]:
    """Rows of predictions.csv."""
    foundations = {pile.prediction_id: pile.foundation_type for pile in site.piles}
    for curve in curves:
        group = curve.group
        basis = ("median", group.energy_kj) if curve.basis_known else ("", "")
        for range_m, level_db in zip(curve.ranges_m, curve.levels_db, strict=True):
            yield (
                group.prediction_id, curve.quantity, curve.weighting, curve.band_hz, f"{range_m:.1f}",
                f"{level_db:.2f}", 2.5, *basis, MODEL_ID, curve.abatement, foundations[group.prediction_id], "impact",
            )  # fmt: skip


def predicted_range_rows(curves: Sequence[Prediction]) -> Iterator[tuple[object, ...]]:
    """Rows of predicted_ranges.csv: thresholds that a curve passes within its table."""
    for curve in curves:
        group = curve.group
        if not curve.basis_known or curve.band_hz or curve.abatement != group.abatement:
            continue
        for threshold_db in THRESHOLDS_DB[curve.quantity, curve.weighting]:
            range_m = predicted_range_m(curve, threshold_db)
            if range_m is not None:
                yield (
                    group.prediction_id, curve.quantity, curve.weighting, threshold_db, f"{range_m:.0f}", MODEL_ID,
                    curve.abatement, "median", "mean", group.energy_kj,
                )  # fmt: skip


def rounded(cell: object) -> object:
    """Floats to 5 decimals, NaN to nothing."""
    if isinstance(cell, float):
        return round(cell, 5) if cell == cell else None
    return cell


def write_truth(
    folder: Path, site: Site, heard: Sequence[Heard], errors_db: Mapping[str, float], seed: int
) -> Iterator[Path]:
    """Write the tables of truth."""
    strikes = [row for one in heard for row in one.strikes]
    columns = list(dict.fromkeys(column for row in strikes for column in row))
    cells = ([rounded(row.get(column)) for column in columns] for row in strikes)
    yield write_csv(folder / "strikes.csv", columns, cells)
    seconds = [row for one in heard for row in one.seconds]
    yield write_csv(
        folder / "seconds.csv", list(seconds[0]), ([rounded(cell) for cell in row.values()] for row in seconds)
    )
    bias = {
        "format_version": 1,
        "seed": seed,
        "reference_range_m": REFERENCE_RANGE_M,
        "biases": [
            {"prediction_id": group.prediction_id, "model_id": MODEL_ID, "bias_at_reference_db": group.offset_db,
             "spreading_bias_db_per_decade": group.slope_db_per_decade, "energy_kj": group.energy_kj}
            for group in site.groups
        ],
        "chain_errors_db": dict(errors_db),
        "clock_errors_s": {station.station_id: station.recorder.clock_error_s for station in site.stations},
        "hammer_log": {"offset_s": LOG_OFFSET_S, "drift_ppm": LOG_DRIFT_PPM, "jitter_s": LOG_JITTER_S},
    }  # fmt: skip
    yield write_text(folder / "bias.json", json.dumps(bias, indent=1) + "\n")
    yield write_text(folder / "README.md", Path(__file__).with_name("truth_readme.md").read_text(encoding="utf-8"))
