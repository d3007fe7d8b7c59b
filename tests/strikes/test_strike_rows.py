"""Levels, signal to noise and censoring by the contract's definitions, from pulses with chosen energies."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reconcile.strikes.association import Association
from reconcile.strikes.quality import PULSE_MARKS
from reconcile.strikes.strike_rows import band_rows, strike_rows
from reconcile.vocabulary.documents.campaign import Settings
from reconcile.vocabulary.tables import bands_table, strikes_table
from reconcile.vocabulary.tables.bands import is_at_most
from tests.strikes.campaigns import START, campaign, epoch_s

NOISE = 1e-2  # Pa²
DURATION, WINDOW, EFFECTIVE, QUIET = 0.1, 0.3, 0.06, 0.2


def pulses(signal_energy: list[float], **changed: object) -> pd.DataFrame:
    """Pulses of some energies (Pa² s) at station NEAR, one second apart, each over the same background."""
    n = len(signal_energy)
    energy = np.array(signal_energy)
    columns: dict[str, object] = {
        "station_id": ["NEAR"] * n,
        "system_id": ["H1"] * n,
        "time_us": ((epoch_s(START) + 10 + np.arange(n)) * 1e6).astype(np.int64),
        "recording": ["a.wav"] * n,
        "start_sample": np.arange(n),
        "window_s": WINDOW,
        "peak_pa": 10.0,
        "peak_to_peak_pa": 18.0,
        "compression_peak_pa": 8.0,
        "rarefaction_peak_pa": 10.0,
        "oversampled_peak_pa": 10.1,
        "energy_pa2_s": energy + NOISE * WINDOW,
        "fourth_power_pa4_s": energy**2 / EFFECTIVE + 6 * NOISE * energy + 3 * NOISE**2 * WINDOW,
        "noise_pa2": NOISE,
        "quiet_s": QUIET,
        "noise_peak_pa": 0.3,
        "duration_s": DURATION,
        "onset_s": 0.02,
        "rise_time_s": 0.01,
        "kurtosis": 20.0,
        "max_125ms_pa2": energy / 0.125,
        "clipped": False,
        "cut": False,
        "at_edge": False,
        "short_quiet": False,
        "second_look": False,
        "not_heard": False,
        **dict.fromkeys(PULSE_MARKS, False),
        "highest": 0.1,
        "lowest": 0.1,
        "flat_above": False,
        "flat_below": False,
        "band_20": energy + NOISE * WINDOW,
        "band_noise_20": NOISE,
        "weighted_nmfs-2024:LF": energy * 1e-3 + NOISE * WINDOW,
        "weighted_noise_nmfs-2024:LF": NOISE,
    }
    return pd.DataFrame(columns | changed)


def association(n: int) -> Association:
    return Association(
        ["P1"] * n, [None] * n, np.full(n, np.nan), [f"P1-u{i:05d}" for i in range(n)], [[] for _ in range(n)]
    )


def rows(signal_energy: list[float], **changed: object) -> pd.DataFrame:
    table = pulses(signal_energy, **changed)
    return strike_rows(table, association(len(table)), campaign())


def test_a_strong_strike_has_the_levels_of_its_energy() -> None:
    """Closed form: 1 Pa² s is 120 dB re 1 µPa² s; rms is 10 lg(0.9 E/τ)."""
    row = rows([1.0]).iloc[0]
    assert row.exposure_level_db == pytest.approx(120.0, abs=1e-9)
    assert row.unsubtracted_exposure_level_db == pytest.approx(120.0 + 10 * np.log10(1.003), abs=1e-9)
    assert row.signal_to_noise_db == pytest.approx(30.0, abs=1e-9)  # 1 over 1e-2 times 0.1 s
    assert row.rms_level_db == pytest.approx(120.0 + 10 * np.log10(9.0), abs=1e-9)
    assert row.peak_level_db == pytest.approx(140.0)
    assert row.peak_to_peak_level_db == pytest.approx(140.0 + 20 * np.log10(1.8))
    assert row.noise_level_db == pytest.approx(100.0)
    assert (row.exposure_censoring, row.peak_censoring) == ("none", "none")
    assert row.effective_duration_s == pytest.approx(EFFECTIVE, rel=1e-9)


def test_peaks_of_either_sign_have_their_own_censoring() -> None:
    row = rows([1.0]).iloc[0]
    assert row.peak_compression_level_db == pytest.approx(120 + 20 * np.log10(8.0))
    assert row.peak_rarefaction_level_db == pytest.approx(140.0)
    assert np.isnan(row.oversampled_peak_level_db)  # not asked for
    row = rows([1.0], compression_peak_pa=0.5).iloc[0]
    assert [row.peak_censoring, row.peak_compression_censoring, row.peak_rarefaction_censoring] == [
        "none",
        "at_most",
        "none",
    ]
    assert row.peak_compression_level_db == pytest.approx(120 + 20 * np.log10(0.3) + 6.0)
    row = rows([1.0], clipped=True).iloc[0]
    assert row.peak_compression_censoring == row.peak_rarefaction_censoring == "at_least"


def test_the_peak_between_samples_where_asked_for() -> None:
    asked = campaign(settings=Settings(weightings=("nmfs-2024:LF",), oversampled_peak=True))
    table = strike_rows(pulses([1.0, 1.0], peak_pa=[10.0, 0.5]), association(2), asked)
    assert table.oversampled_peak_level_db.iloc[0] == pytest.approx(120 + 20 * np.log10(10.1))
    assert table.peak_censoring.iloc[1] == "at_most"
    assert np.isnan(table.oversampled_peak_level_db.iloc[1])


def test_interval_of_the_energy_by_one_band_worked_by_hand() -> None:
    """u² = 2 E N/B + (W + W²/Q) N²/B with B of the 100 Hz decidecade, its last term over 1 + 1/(B Q)."""
    energy, width = 0.01, 100.0 * (10**0.05 - 10**-0.05)
    row = rows([energy]).iloc[0]
    chance = (WINDOW + WINDOW**2 / QUIET) * NOISE**2 / width / (1 + 1 / (width * QUIET))
    reach = 1.959964 * np.sqrt(2 * energy * NOISE / width + chance)
    assert row.exposure_level_lower_95_db == pytest.approx(120 + 10 * np.log10(energy - reach), abs=1e-9)
    assert row.exposure_level_upper_95_db == pytest.approx(120 + 10 * np.log10(energy + reach), abs=1e-9)
    censored = rows([1e-5]).iloc[0]
    assert np.isnan(censored.exposure_level_lower_95_db)
    assert np.isnan(censored.exposure_level_upper_95_db)
    clipped = rows([energy], clipped=True).iloc[0]
    assert np.isnan(clipped.exposure_level_upper_95_db)


def test_a_faint_weighting_is_censored_by_its_own_background() -> None:
    """The full band stands 30 dB above its background, the weighted level at 0 dB: the row holds background + 3 dB."""
    row = rows([1.0]).iloc[0]
    assert row.exposure_censoring_nmfs_2024_lf == "at_most"
    assert row.exposure_level_nmfs_2024_lf_db == pytest.approx(90.0 + 3.0, abs=1e-9)  # 1e-2 Pa² over 0.1 s is 90 dB


def test_below_6_db_shapes_are_null_and_below_3_db_the_level_is_a_limit() -> None:
    """Energies at 10, 4, 2 dB and below zero over the background in 0.1 s; the median duration stands in."""
    energies = [NOISE * DURATION * 10 ** (snr / 10) for snr in (10.0, 4.0, 2.0)] + [-1e-4]
    table = rows(energies)
    assert list(table.exposure_censoring) == ["none", "none", "at_most", "at_most"]
    assert table.exposure_level_db.iloc[2] == pytest.approx(93.0, abs=1e-9)
    assert table.exposure_level_db.iloc[3] == pytest.approx(93.0, abs=1e-9)
    assert np.isnan(table.signal_to_noise_db.iloc[3])
    for column in ("rms_level_db", "pulse_duration_s", "effective_duration_s", "rise_time_s", "kurtosis"):
        assert list(table[column].isna()) == [False, True, True, True]


def test_clipped_is_at_least_for_all_levels() -> None:
    row = rows([1.0], clipped=True).iloc[0]
    assert row.exposure_censoring == row.peak_censoring == row.exposure_censoring_nmfs_2024_lf == "at_least"
    assert row.exposure_level_db == pytest.approx(120.0, abs=1e-9)
    assert row["flags"] == ["clipped"]


def test_flat_tops_are_at_least_for_all_levels() -> None:
    row = rows([1.0], flat_below=True).iloc[0]
    assert row.exposure_censoring == row.peak_censoring == row.exposure_censoring_nmfs_2024_lf == "at_least"
    assert row["flags"] == ["flattened"]


def test_what_reaches_the_limit_that_flat_tops_show_has_met_it() -> None:
    """Four strikes end at 0.5 of full scale, three with flat tops; one stays below. A clipped one is called clipped."""
    tops = [0.5, 0.501, 0.499, 0.498, 0.4]
    table = rows([1.0] * 5, flat_above=[True, True, True, False, False], highest=tops, lowest=[0.2] * 5)
    assert [list(flags) for flags in table["flags"]] == [["flattened"]] * 4 + [[]]
    table = rows([1.0] * 5, flat_above=[True, True, True, False, False], highest=tops, clipped=[True] + [False] * 4)
    assert list(table["flags"].iloc[0]) == ["clipped"]


def test_strikes_of_equal_strength_are_no_limit() -> None:
    """Flat tops of three in twenty, or some that others exceed: a chance, or a shape, not a limit."""
    equal = rows([1.0] * 20, flat_above=[True] * 3 + [False] * 17, highest=0.5)
    assert equal["flags"].map(len).sum() == 3
    tops = [0.5, 0.5, 0.5, 0.5, *[0.6] * 4]
    exceeded = rows([1.0] * 8, flat_above=[True] * 3 + [False] * 5, highest=tops, lowest=[0.1] * 8)
    assert exceeded["flags"].map(len).sum() == 3


def test_a_peak_less_than_6_db_above_the_background_is_a_limit() -> None:
    row = rows([1.0], peak_pa=0.5).iloc[0]
    assert row.peak_censoring == "at_most"
    assert row.peak_level_db == pytest.approx(120 + 20 * np.log10(0.3) + 6.0)


def test_without_background_nothing_is_subtracted_and_the_row_says_so() -> None:
    row = rows([1.0], noise_pa2=np.nan, noise_peak_pa=np.nan, short_quiet=True).iloc[0]
    assert row.exposure_level_db == row.unsubtracted_exposure_level_db
    assert row["flags"] == ["background_missing"]
    assert np.isnan(row.signal_to_noise_db)


def test_columns_are_those_declared() -> None:
    assert tuple(rows([1.0]).columns) == strikes_table(("nmfs-2024:LF",)).column_names
    table = pulses([1.0])
    assert tuple(band_rows(table, association(1), campaign(), (20,)).columns) == bands_table((20,)).column_names


def test_bands_hold_level_and_background_over_the_duration() -> None:
    table = pulses([1.0, NOISE * DURATION])
    bands = band_rows(table, association(2), campaign(), (20,))
    assert bands.exposure_level_100hz_db.iloc[0] == pytest.approx(120.0, abs=1e-4)
    assert bands.noise_exposure_level_100hz_db.iloc[0] == pytest.approx(90.0, abs=1e-4)
    level, noise = bands.exposure_level_100hz_db.to_numpy(), bands.noise_exposure_level_100hz_db.to_numpy()
    faint = is_at_most(level, noise, 20, 3.0)
    assert list(faint) == [False, True]
