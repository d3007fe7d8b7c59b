"""What one station hears in one session: pulses, a vibratory hammer, noise; and the truth about it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from . import ambient, truth
from .driving import Drive, drive, stream
from .pulses import Path, causal_window, edge_taper, frequency_grid, path_spectra, time_series, window_start_s
from .site import BOTTOM_SPEED_M_S, SOUND_SPEED_M_S, Pile, Session, Station, range_between_m
from .source import VibratoryHammer, pile_excitation, strike_spectrum, vibratory_source
from .waveguide import Complexes, Floats, Waveguide

PULSE_WINDOW_S = 1.5
HIGHEST_HZ = 16000.0
STRIKES_PER_BATCH = 16
QUIET_S, QUIET_GAP_S = 0.2, 0.05
"""Background before a strike: so long, ending so long before its rise."""

GRID_HZ = frequency_grid(PULSE_WINDOW_S, HIGHEST_HZ)


@dataclass(frozen=True)
class Heard:
    """One station's session: pressure in Pa as in the water, and tables of truth."""

    pressure_pa: NDArray[np.float32]
    strikes: list[dict[str, object]]
    seconds: list[dict[str, object]]


def waveguide_of(pile: Pile) -> Waveguide:
    """The water around a pile, taken to be as deep all the way to every station."""
    return Waveguide(pile.water_depth_m, SOUND_SPEED_M_S, BOTTOM_SPEED_M_S, absorbing_water=True)


def windowed(waveguide: Waveguide, spectra: Complexes, paths: list[Path]) -> Complexes:
    """The same spectra after `causal_window` in time."""
    rate_hz, n = round(2.0 * HIGHEST_HZ), round(2.0 * HIGHEST_HZ * PULSE_WINDOW_S)
    windows = np.array([causal_window(waveguide, path.range_m, rate_hz, n) for path in paths])
    return np.asarray(np.conj(fft.rfft(time_series(spectra, rate_hz, n) * windows, axis=-1)) / rate_hz)


def spectra_at_stations(pile: Pile, stations: tuple[Station, ...]) -> Complexes:
    """Pressure spectra on the grid, one row per station.

    In Pa/Hz for a strike of the reference energy; for a vibratory hammer in 1/m, per unit of source pressure.
    """
    paths = [Path(range_between_m(pile.place, s.place), s.hydrophone_depth_m) for s in stations]
    highest_hz = max(station.recorder.rate_hz for station in stations) / 2.0
    recorded = GRID_HZ[highest_hz >= GRID_HZ]
    spectra = np.zeros((len(paths), GRID_HZ.size), dtype=np.complex128)
    spectra[:, : recorded.size] = path_spectra(
        waveguide_of(pile), recorded, lambda modes: pile_excitation(pile.source, modes), paths
    )
    spectra *= edge_taper(GRID_HZ, HIGHEST_HZ)
    if pile.installation_method == "impact":
        spectra *= strike_spectrum(pile.source, GRID_HZ, pile.source.reference_energy_kj)
    return windowed(waveguide_of(pile), spectra, paths)


def listen(session: Session, station: Station, spectra: dict[str, Complexes], seed: int) -> Heard:
    """All that a station hears in a session. `spectra` holds the station's row of `spectra_at_stations` by pile."""
    rate_hz = station.recorder.rate_hz
    pressure, filtered = background(session, station, seed)
    rows: list[dict[str, object]] = []
    for pile in session.piles:
        spectrum = spectra[pile.pile_id] * edge_taper(GRID_HZ, min(HIGHEST_HZ, rate_hz / 2.0))
        if pile.installation_method == "impact":
            strikes = drive(pile, GRID_HZ, seed)
            rows += add_strikes(strikes, session, station, spectrum, (pressure, filtered))
        else:
            add_vibration(pile, station, spectrum, (pressure, filtered), seed)
    seconds = [
        {"station_id": station.station_id, "start_utc_by_station_clock": session.start_utc + timedelta(seconds=k),
         "level_db": float(truth.level_db(np.mean(cell**2)))}
        for k, cell in enumerate(filtered.reshape(session.duration_s, rate_hz))
    ]  # fmt: skip
    return Heard(pressure.astype(np.float32), rows, seconds)


def background(session: Session, station: Station, seed: int) -> tuple[Floats, Floats]:
    """Noise and swell in Pa, as they are and (noise) through the full band."""
    recorder = station.recorder
    n_samples = session.duration_s * recorder.rate_hz
    rng = stream(seed, "noise", station.station_id, session.start_utc.isoformat())
    density = ambient.ambient_density(station.ambient_level_db, recorder.floor_db)
    plain, filtered = ambient.noise_pair(n_samples, recorder.rate_hz, density, truth.full_band_response, rng)
    time_s = np.arange(n_samples) / recorder.rate_hz
    pressure = plain + ambient.swell(time_s, station.swell_pa, rng)
    total = filtered.astype(np.float64)
    if session.ship is not None and session.ship.station_id == station.station_id:
        ship = session.ship
        density = ambient.ship_density(ship.level_db)
        plain, filtered = ambient.noise_pair(n_samples, recorder.rate_hz, density, truth.full_band_response, rng)
        loudness = ambient.passage(time_s, ship.closest_s, ship.half_width_s)
        pressure += loudness * plain
        total += loudness * filtered
    return pressure, total


def add_strikes(
    strikes: Drive, session: Session, station: Station, spectrum: Complexes, series: tuple[Floats, Floats]
) -> list[dict[str, object]]:
    """Add every strike to the pressure and the full-band pressure; the truth about each."""
    pile, recorder = strikes.pile, station.recorder
    n = round(PULSE_WINDOW_S * recorder.rate_hz)
    bins = min(GRID_HZ.size, n // 2 + 1)
    start_s = window_start_s(waveguide_of(pile), range_between_m(pile.place, station.place))
    position = (strikes.strike_s + start_s + recorder.clock_error_s) * recorder.rate_hz
    first, late_s = np.floor(position).astype(int), (position - np.floor(position)) / recorder.rate_hz
    rows: list[dict[str, object]] = []
    for batch in np.array_split(np.arange(first.size), -(-first.size // STRIKES_PER_BATCH)):
        gain_db = 10.0 * np.log10(strikes.energies_kj[batch, None] / pile.source.reference_energy_kj)
        pulses = spectrum[:bins] * 10.0 ** ((gain_db + strikes.jitter_db[batch, :bins]) / 20.0)
        pulses = pulses * np.exp(2j * np.pi * GRID_HZ[:bins] * late_s[batch, None])
        levels, clean = truth.pulse_levels(pulses, recorder.rate_hz, n)
        plain = time_series(pulses, recorder.rate_hz, n)
        for i, k in enumerate(batch):
            own = {name: float(values[i]) for name, values in levels.items()}
            own["noise_level_db"] = quiet_level_db(series[1], int(first[k]), own["rise_s"], recorder.rate_hz)
            rows.append(strike_row(strikes, session, station, int(k), first[k] / recorder.rate_hz, own))
            series[0][first[k] : first[k] + n] += plain[i]
            series[1][first[k] : first[k] + n] += clean[i]
    return rows


def quiet_level_db(filtered: Floats, first: int, rise_s: float, rate_hz: int) -> float:
    """Mean-square level of the stretch before a strike; `filtered` holds all but that strike and later ones."""
    stop = first + round((rise_s - QUIET_GAP_S) * rate_hz)
    return float(truth.level_db(np.mean(filtered[stop - round(QUIET_S * rate_hz) : stop] ** 2)))


def strike_row(
    strikes: Drive, session: Session, station: Station, index: int, first_s: float, levels: dict[str, float]
) -> dict[str, object]:
    """Truth about one strike at one station; `first_s` is its window's start by the recorder's clock."""
    rise_s, arrival_s, noise_db = (levels.pop(name) for name in ("rise_s", "arrival_s", "noise_level_db"))

    def at(seconds: float) -> datetime:
        return session.start_utc + timedelta(seconds=float(seconds))

    return {
        "pile_id": strikes.pile.pile_id,
        "station_id": station.station_id,
        "blow_number": index + 1,
        "strike_utc": at(strikes.strike_s[index]),
        "arrival_utc": at(first_s + arrival_s - station.recorder.clock_error_s),
        "arrival_by_station_clock_utc": at(first_s + arrival_s),
        "rise_by_station_clock_utc": at(first_s + rise_s),
        "energy_kj": float(strikes.energies_kj[index]),
        "range_m": range_between_m(strikes.pile.place, station.place),
        "noise_level_db": noise_db,
        "signal_to_noise_db": levels["exposure_level_db"] - noise_db - 10.0 * np.log10(levels["pulse_duration_s"]),
        **levels,
    }


def add_vibration(pile: Pile, station: Station, spectrum: Complexes, series: tuple[Floats, Floats], seed: int) -> None:
    """Add a vibratory hammer's sound: its source pressure through the path's impulse response."""
    recorder = station.recorder
    rate_hz, n = recorder.rate_hz, round(PULSE_WINDOW_S * recorder.rate_hz)
    rng = stream(seed, "vibration", pile.pile_id)
    source = vibratory_source(VibratoryHammer(), rate_hz, pile.last_strike_s - pile.first_strike_s, rng)
    response = time_series(spectrum, rate_hz, n) / rate_hz
    length = fft.next_fast_len(source.size + n, real=True)
    product = fft.rfft(source, length) * fft.rfft(response, length)
    frequencies_hz = np.arange(product.size) * (rate_hz / length)
    start_s = window_start_s(waveguide_of(pile), range_between_m(pile.place, station.place))
    first = round((pile.first_strike_s + start_s + recorder.clock_error_s) * rate_hz)
    responses = (np.ones(product.size), truth.full_band_response(frequencies_hz))
    for total, full_band in zip(series, responses, strict=True):
        total[first : first + source.size + n] += fft.irfft(product * full_band, length)[: source.size + n]
