"""The injected bias comes back out of truth alone: predictions less clean levels at the stations."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.scenario import modeller, truth
from reconcile.scenario.pulses import Path, edge_taper, frequency_grid, path_spectra
from reconcile.scenario.site import PredictedGroup, Site, full_site, range_between_m
from reconcile.scenario.sound import waveguide_of
from reconcile.scenario.source import pile_excitation, strike_spectrum
from reconcile.scenario.waveguide import Floats

HIGHEST_HZ = 3000.0
"""Above lies less than 0.1 % of the energy."""


def exposure_at_stations(site: Site, group: PredictedGroup) -> tuple[Floats, Floats]:
    """Ranges and exposure levels of the mean strike at the group's energy, for all piles and stations."""
    frequencies_hz = frequency_grid(1.5, HIGHEST_HZ)
    ranges_m, levels_db = [], []
    for pile in (pile for pile in site.piles if pile.pile_id in group.pile_ids):
        paths = [Path(range_between_m(pile.place, s.place), s.hydrophone_depth_m) for s in site.stations]
        spectra = path_spectra(
            waveguide_of(pile), frequencies_hz, lambda m, s=pile.source: pile_excitation(s, m), paths
        )
        spectra *= strike_spectrum(pile.source, frequencies_hz, group.energy_kj) * edge_taper(
            frequencies_hz, HIGHEST_HZ
        )
        levels_db.append(truth.level_db(2.0 * np.sum(np.abs(spectra) ** 2, axis=1) / 1.5))
        ranges_m.append([path.range_m for path in paths])
    return np.concatenate(ranges_m), np.concatenate(levels_db)


SITE = full_site()


@pytest.mark.parametrize("group", SITE.groups, ids=lambda group: group.prediction_id)
def test_injected_bias_is_recovered(group: PredictedGroup, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(modeller, "HIGHEST_HZ", HIGHEST_HZ)
    curve = modeller.predictions(SITE, group)[0]
    ranges_m, levels_db = exposure_at_stations(SITE, group)
    predicted_db = np.interp(np.log10(ranges_m), np.log10(curve.ranges_m), curve.levels_db)
    lg_ranges = np.log10(ranges_m / 750.0)
    assert np.mean(predicted_db - levels_db - modeller.injected_bias_db(group, ranges_m)) == pytest.approx(0.0, abs=0.3)
    if group.prediction_id == "MONOPILE":
        slope, offset = np.polyfit(lg_ranges, predicted_db - levels_db, 1)
        assert offset == pytest.approx(4.5, abs=0.3)
        assert slope == pytest.approx(1.5, abs=0.6)


def test_the_table_is_dense_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    # Linear interpolation in log range over every second row misses the rows between by four times
    # the table's own error.
    monkeypatch.setattr(modeller, "HIGHEST_HZ", HIGHEST_HZ)
    curve = modeller.predictions(SITE, SITE.groups[0])[0]
    x = np.log10(curve.ranges_m)
    coarse_db = np.interp(x[1:-1:2], x[::2], curve.levels_db[::2])
    assert np.max(np.abs(coarse_db - curve.levels_db[1 : 1 + 2 * coarse_db.size : 2])[:-1]) / 4.0 < 0.1


def test_predicted_range_is_where_the_curve_crosses() -> None:
    ranges_m = np.array([500.0, 1000.0, 2000.0])
    curve = modeller.Prediction(
        SITE.groups[0], "exposure_level", "none", "", "none", True, ranges_m, np.array([170.0, 165.0, 155.0])
    )
    assert modeller.predicted_range_m(curve, 160.0) == pytest.approx(1000.0 * np.sqrt(2.0))
    assert modeller.predicted_range_m(curve, 150.0) is None
    assert modeller.predicted_range_m(curve, 171.0) is None
