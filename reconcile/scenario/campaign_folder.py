"""Write the demonstration campaign: recordings, tables, and the truth beside them."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from . import tables
from .driving import drive, stream
from .modeller import predictions
from .site import Recorder, Session, Site, Station, System, full_site, sample_site
from .sound import GRID_HZ, Heard, listen, spectra_at_stations
from .wav_writer import write_wav
from .waveguide import Complexes, Floats

Size = Literal["full", "sample"]
CONVERTER_OFFSET = 0.0015
"""Offset of the converter, re full scale."""


def site_of(size: Size) -> Site:
    """The campaign of a size."""
    return full_site() if size == "full" else sample_site()


def chain_errors_db(site: Site, seed: int, *, exact_chains: bool) -> dict[str, float]:
    """True minus stated sensitivity of each system, drawn from the stated uncertainties; `common` is in all of them."""
    if exact_chains:
        return dict.fromkeys(("common", *(system.system_id for system in site.systems)), 0.0)
    common = float(stream(seed, "chain", "common").normal(scale=site.common_uncertainty_db))
    own = {
        system.system_id: float(stream(seed, "chain", system.system_id).normal(scale=system.standard_uncertainty_db))
        for system in site.systems
    }
    return {"common": common, **{name: common + error for name, error in own.items()}}


def stated_sensitivity_db(system: System) -> float:
    """The whole chain as stated, dB re (full scale)/uPa."""
    if system.end_to_end_sensitivity_db is not None:
        return system.end_to_end_sensitivity_db
    if system.sensitivity_db is None:
        raise ValueError(f"system {system.system_id}: neither sensitivity_db nor end_to_end_sensitivity_db")
    return system.sensitivity_db + system.gain_db - 20.0 * float(np.log10(system.full_scale_v))


def write_campaign(folder: Path, *, size: Size = "full", seed: int = 20260, exact_chains: bool = False) -> None:
    """Write the whole campaign folder; see `campaign_files`."""
    for _ in campaign_files(folder, size=size, seed=seed, exact_chains=exact_chains):
        pass


def campaign_files(
    folder: Path, *, size: Size = "full", seed: int = 20260, exact_chains: bool = False
) -> Iterator[Path]:
    """Write a campaign folder, naming each file when it is complete under its own name.

    The same arguments give the same campaign. `exact_chains` makes every chain as its certificate states; otherwise
    they are off by draws from the stated uncertainties. Everything true is in `truth/`.
    """
    site = site_of(size)
    errors_db = chain_errors_db(site, seed, exact_chains=exact_chains)
    drives = {p.pile_id: drive(p, GRID_HZ, seed) for p in site.piles if p.installation_method == "impact"}
    curves = [curve for group in site.groups for curve in predictions(site, group)]
    yield tables.write_text(folder / "campaign.toml", tables.campaign_toml(site))
    yield from tables.write_inputs(folder, site, drives, curves, seed)
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(lambda pile: spectra_at_stations(pile, site.stations), site.piles))
    spectra = {pile.pile_id: table for pile, table in zip(site.piles, found, strict=True)}
    heard: list[Heard] = []
    for session in site.sessions:
        for recorder, rows in recorders(site):
            own = [listen_at(session, site.stations[row], row, spectra, seed) for row in rows]
            heard += [Heard(np.zeros(0, np.float32), one.strikes, one.seconds) for one in own]
            samples = [
                samples_of(one.pressure_pa, site.stations[row].system, errors_db)
                for one, row in zip(own, rows, strict=True)
            ]
            yield from write_recording(folder, session, recorder, samples)
    yield from tables.write_truth(folder / "truth", site, heard, errors_db, seed)


def listen_at(session: Session, station: Station, row: int, spectra: dict[str, Complexes], seed: int) -> Heard:
    """What the station in that row hears."""
    return listen(session, station, {pile_id: table[row] for pile_id, table in spectra.items()}, seed)


def recorders(site: Site) -> list[tuple[Recorder, list[int]]]:
    """Recorders with the rows of their stations, in the order of the channels."""
    rows: dict[Recorder, list[int]] = {}
    for row, station in enumerate(site.stations):
        rows.setdefault(station.recorder, []).append(row)
    return [(recorder, sorted(own, key=lambda row: site.stations[row].channel)) for recorder, own in rows.items()]


def samples_of(pressure_pa: NDArray[np.float32], system: System, errors_db: dict[str, float]) -> Floats:
    """Sample values re full scale, through the chain as it truly is."""
    sensitivity_db = stated_sensitivity_db(system) + errors_db[system.system_id]
    return np.asarray(pressure_pa * (1e6 * 10.0 ** (sensitivity_db / 20.0)) + CONVERTER_OFFSET, dtype=np.float64)


def write_recording(folder: Path, session: Session, recorder: Recorder, samples: list[Floats]) -> Iterator[Path]:
    """Write a recorder's files of one session, each going on at the sample where the one before ended."""
    place = folder / "recordings" / recorder.recorder_id
    place.mkdir(parents=True, exist_ok=True)
    bounds_s = [session.duration_s * k // session.n_files for k in range(session.n_files + 1)]
    for number, (first_s, stop_s) in enumerate(pairwise(bounds_s), start=1):
        start_utc = session.start_utc + timedelta(seconds=first_s)
        part = [channel[first_s * recorder.rate_hz : stop_s * recorder.rate_hz] for channel in samples]
        stem = tables.recording_stem(recorder, session, number, start_utc)
        write_wav(
            place / f"{stem}.wav", part, recorder.rate_hz, bits=recorder.bits, extensible=recorder.extensible,
            first_sample=start_utc if recorder.bext else None,
        )  # fmt: skip
        yield place / f"{stem}.wav"
