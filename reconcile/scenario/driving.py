"""When and how hard the hammer strikes, and what its log says of it."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from .site import Pile, Session
from .source import spectral_jitter_db
from .waveguide import Floats

LOG_OFFSET_S, LOG_DRIFT_PPM, LOG_JITTER_S = 1.7, 6.0, 0.010
N_UNLOGGED = 3
N_WITHOUT_ENERGY = 2
INTERVAL_JITTER = 0.02
ENERGY_JITTER_DB = 0.1


@dataclass(frozen=True)
class Drive:
    """The strikes of one pile; arrays have one entry per strike, blow numbers count from 1."""

    pile: Pile
    strike_s: Floats
    """UTC, counted from the start of the session."""
    energies_kj: Floats
    jitter_db: Floats
    """Shape (strike, frequency): departure of the strike's source spectrum from the pile's."""


def stream(seed: int, *names: str) -> np.random.Generator:
    """A generator of its own for each named use, so that no use depends on the order of the others."""
    return np.random.default_rng([seed, *(zlib.crc32(name.encode()) for name in names)])


def drive(pile: Pile, frequencies_hz: Floats, seed: int) -> Drive:
    """Strikes of an impact-driven pile: an energy ramp in the soft start, then full energy; uneven rhythm."""
    rng = stream(seed, "drive", pile.pile_id)
    period_s = 60.0 / pile.blows_per_minute
    n_strikes = int((pile.last_strike_s - pile.first_strike_s) / period_s) + 1
    intervals_s = period_s * (1.0 + INTERVAL_JITTER * np.clip(rng.normal(size=n_strikes - 1), -2.5, 2.5))
    strike_s = pile.first_strike_s + np.concatenate([[0.0], np.cumsum(intervals_s)])
    first_kj, full_kj = pile.energies_kj
    ramp = np.minimum(np.arange(n_strikes) / pile.soft_start_strikes, 1.0)
    energies_kj = (first_kj + (full_kj - first_kj) * ramp) * 10.0 ** (
        rng.normal(scale=ENERGY_JITTER_DB, size=n_strikes) / 10.0
    )
    return Drive(pile, strike_s, energies_kj, spectral_jitter_db(frequencies_hz, rng, n_strikes))


def log_rows(
    drive_: Drive, session: Session, campaign_start_utc: datetime, seed: int
) -> list[tuple[str, int, datetime, float | None, float]]:
    """The hammer log as it was kept: pile, blow number, time by its own clock, energy or nothing, penetration in m.

    Its clock is off by a constant and a drift, each time by a little more; a few blows are missing, a few energies too.
    """
    pile, n_strikes = drive_.pile, drive_.strike_s.size
    rng = stream(seed, "log", pile.pile_id)
    order = rng.permutation(np.arange(1, n_strikes - 1))
    unlogged, bare = set(order[:N_UNLOGGED]), set(order[N_UNLOGGED : N_UNLOGGED + N_WITHOUT_ENERGY])
    late_s = LOG_OFFSET_S + LOG_JITTER_S * rng.normal(size=n_strikes)
    penetration_m = 4.0 + np.cumsum(0.02 + 0.02 * rng.random(n_strikes))
    rows = []
    for index in range(n_strikes):
        when = session.start_utc + timedelta(seconds=float(drive_.strike_s[index]))
        drift_s = LOG_DRIFT_PPM * 1e-6 * (when - campaign_start_utc).total_seconds()
        logged = when + timedelta(seconds=float(late_s[index]) + drift_s)
        energy = None if index in bare else round(float(drive_.energies_kj[index]), 1)
        if index not in unlogged:
            rows.append((pile.pile_id, index + 1, logged, energy, round(float(penetration_m[index]), 2)))
    return rows
