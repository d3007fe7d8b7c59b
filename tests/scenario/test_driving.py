from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from reconcile.scenario.driving import drive, log_rows
from reconcile.scenario.site import full_site

SITE = full_site()
GRID_HZ = np.array([50.0, 200.0, 1000.0])
IMPACT = [
    (session, pile) for session in SITE.sessions for pile in session.piles if pile.installation_method == "impact"
]


@pytest.mark.parametrize(("session", "pile"), IMPACT, ids=[pile.pile_id for _, pile in IMPACT])
def test_a_pile_is_driven_within_its_session(session, pile) -> None:  # type: ignore[no-untyped-def]
    strikes = drive(pile, GRID_HZ, 20260)
    assert 60 <= strikes.strike_s.size <= 100
    # The sound takes up to 4.2 s to the farthest station, and its window 1.5 s.
    assert strikes.strike_s[-1] + 6.0 < session.duration_s
    per_minute = 60.0 / np.diff(strikes.strike_s)
    assert np.all(np.abs(per_minute / pile.blows_per_minute - 1.0) < 0.06)
    assert np.max(strikes.energies_kj) < pile.rated_energy_kj
    assert np.median(strikes.energies_kj[:5]) < 0.5 * np.median(strikes.energies_kj[-20:])


def test_the_log_is_late_and_incomplete() -> None:
    session, pile = IMPACT[-1]
    strikes = drive(pile, GRID_HZ, 20260)
    rows = log_rows(strikes, session, SITE.sessions[0].start_utc, 20260)
    assert len(rows) == strikes.strike_s.size - 3
    assert sum(energy is None for _, _, _, energy, _ in rows) == 2
    late_s = [
        (when - session.start_utc - timedelta(seconds=float(strikes.strike_s[number - 1]))).total_seconds()
        for _, number, when, _, _ in rows
    ]
    drift_s = 6e-6 * (session.start_utc - SITE.sessions[0].start_utc).total_seconds()
    assert np.mean(late_s) == pytest.approx(1.7 + drift_s, abs=0.005)
    assert np.std(late_s) == pytest.approx(0.010, abs=0.003)
    assert all(energy == pytest.approx(strikes.energies_kj[n - 1], abs=0.05) for _, n, _, energy, _ in rows if energy)


def test_the_seed_decides() -> None:
    _, pile = IMPACT[0]
    assert np.array_equal(drive(pile, GRID_HZ, 1).strike_s, drive(pile, GRID_HZ, 1).strike_s)
    assert not np.array_equal(drive(pile, GRID_HZ, 1).strike_s, drive(pile, GRID_HZ, 2).strike_s)
