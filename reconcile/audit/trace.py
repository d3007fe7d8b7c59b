"""`trace`: one strike's way from its samples to the bias, at every station, for a reviewer to follow."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
from scipy.io import wavfile

from reconcile.audit.at_hand import AtHand, at_hand
from reconcile.audit.finding import AuditReport
from reconcile.audit.second_route import NoSamplesError, StrikeSamples, read_samples
from reconcile.audit.strike_rows import Row, Strike, read_strike
from reconcile.audit.trace_use import use_lines
from reconcile.audit.trace_words import heading, level_lines, origin_lines
from reconcile.running.provenance import sha256
from reconcile.running.store import replacing
from reconcile.vocabulary.errors import Fault, ResultsError
from reconcile.vocabulary.quantities import exposure_level_db, mean_square_level_db, peak_level_db


def trace(
    results: Path,
    strike_id: str,
    *,
    recordings: str | None = None,
    campaign: Path | None = None,
    station: str | None = None,
    wav: Path | None = None,
    figure: Path | None = None,
) -> AuditReport:
    """The way of one strike, at all stations or one; `wav` and `figure` are files to write, and need the recordings.

    `recordings` and `campaign` are as in `verify`; recordings beside the results are found without. Raises ResultsError
    where there is no such strike or station, or where a file is to be written and no samples can be read.
    """
    strike = read_strike(results, strike_id)
    rows = [row for row in strike.rows if station in (None, row["station_id"])]
    if not rows:
        stations = ", ".join(row["station_id"] for row in strike.rows)
        raise ResultsError([Fault("--station", "", f"no row of the strike at {station!r}", f"one of {stations}")])
    hand = at_hand(results, recordings, campaign)
    report = AuditReport(heading(strike))
    samples: dict[str, StrikeSamples] = {}
    reasons: dict[str, str] = {}
    for row in rows:
        station_id = row["station_id"]
        try:
            samples[station_id] = read_samples(strike, row, hand)
        except NoSamplesError as error:
            reasons[station_id] = str(error)
        report.lines += ["", *origin_lines(strike, row)]
        report.lines += _file_line(strike, row, hand)
        report.lines += level_lines(strike, row)
        again = _second_lines(row, samples[station_id]) if station_id in samples else None
        report.lines += again or [f"  Samples read again: no ({reasons[station_id]})"]
        report.lines += use_lines(strike, row)
    report.lines += _write_files(strike, samples, reasons, wav, figure)
    return report


def _file_line(strike: Strike, row: Row, hand: AtHand) -> list[str]:
    """The recording's hash, and whether the file at hand has it."""
    if row["recording"] is None:
        return []
    digest = strike.manifest.inputs.get(row["recording"])
    file = hand.input_file(row["recording"])
    if digest is None:
        said = "not hashed by the run"
    elif file is None:
        said = f"{digest} (the file is not at hand)"
    else:
        said = f"{digest} ({'the file at hand is the same' if sha256(file) == digest else 'THE FILE AT HAND DIFFERS'})"
    return [f"    SHA-256 {said}"]


def _second_lines(row: Row, sound: StrikeSamples) -> list[str]:
    """Both numbers of peak and exposure: of the table, and straight from the samples."""
    lines = ["  Samples read again, by a second, short route (full band in one transform, sums over the window):"]
    pairs = [
        ("peak level", row["peak_level_db"], float(peak_level_db(sound.peak_pa)), "dB re 1 µPa"),
        (
            "exposure level of the interval as it is",
            row["unsubtracted_exposure_level_db"],
            float(exposure_level_db(sound.exposure_pa2_s)),
            "dB re 1 µPa² s",
        ),
        (
            "exposure level, background subtracted",
            row["exposure_level_db"],
            float(exposure_level_db(sound.subtracted_pa2_s)),
            "dB re 1 µPa² s",
        ),
    ]
    if sound.noise_pa2 is not None:
        noise = float(mean_square_level_db(sound.noise_pa2))
        pairs.append(("background level", row["noise_level_db"], noise, "dB re 1 µPa"))
    for name, stated, found, unit in pairs:
        if stated is None or np.isnan(found):
            lines.append(f"    {name}: in the table {_level(stated)}, from the samples {_level(found)}")
        else:
            text = (
                f"in the table {stated:.3f}, from the samples {found:.3f} {unit} (difference {found - stated:+.3f} dB)"
            )
            lines.append(f"    {name}: {text}")
    if row["peak_censoring"] == "at_most" or row["exposure_censoring"] == "at_most":
        lines.append("    a level that is at_most stands in the table as a limit made from the background: see above")
    return lines


def _level(value: float | None) -> str:
    return "null" if value is None or np.isnan(value) else f"{value:.3f}"


def _write_files(
    strike: Strike,
    samples: Mapping[str, StrikeSamples],
    reasons: Mapping[str, str],
    wav: Path | None,
    figure: Path | None,
) -> Iterator[str]:
    """Write what was asked for; a line for each file."""
    for path, option in ((wav, "--wav"), (figure, "--figure")):
        if path is not None and not samples:
            found = "; ".join(f"{name}: {reason}" for name, reason in reasons.items())
            raise ResultsError([Fault(option, "", found, "the recordings: --recordings CAMPAIGN")])
    if wav is not None:
        for path, (station_id, sound) in zip(_paths(wav, list(samples)), samples.items(), strict=True):
            _write_wav(path, sound)
            yield f"{path}: {station_id}, pressure in pascals over the pulse interval, before the full band's filter"
    if figure is not None:
        from reconcile.audit.strike_figure import FORMATS, strike_figure

        form = figure.suffix.removeprefix(".").lower()
        if form not in FORMATS:
            known = ", ".join(f".{name}" for name in FORMATS)
            raise ResultsError([Fault("--figure", "", f"a file that ends with {figure.suffix!r}", f"one of {known}")])
        with replacing(figure) as temporary:
            temporary.write_bytes(strike_figure(strike.strike_id, samples, form))
        yield f"{figure}: pressure and cumulative energy at {', '.join(samples)}"


def _paths(wav: Path, stations: list[str]) -> list[Path]:
    """The file as named for the nearest station, and one beside it with its name for each further one."""
    named = ["".join(c if c.isalnum() or c in "-_." else "_" for c in station) for station in stations[1:]]
    further = [wav.with_name(f"{wav.stem}_{name}{wav.suffix}") for name in named]
    return [wav, *further]


def _write_wav(path: Path, sound: StrikeSamples) -> None:
    with replacing(path) as temporary, temporary.open("wb") as stream:
        wavfile.write(stream, sound.rate_hz, sound.by_chain_pa[slice(*sound.window)].astype(np.float32))
