"""The tables' columns against the contract's lists, written out here by hand; units; flags."""

from __future__ import annotations

import pyarrow as pa
import pytest

from reconcile.vocabulary.tables import (
    COMPARISON,
    EXPOSURE,
    FLAGS,
    SUMMARY,
    UNPAIRED,
    Stage,
    Table,
    background_table,
    bands_table,
    strikes_table,
)
from reconcile.vocabulary.tables.flags import _FLAGS, flags_excluding

WEIGHTINGS = ("nmfs-2024:LF", "nmfs-2024:VHF")
STRIKES = strikes_table(WEIGHTINGS)
BANDS = bands_table((15, 30))
BACKGROUND = background_table((15, 30), WEIGHTINGS)

CONTRACT = {
    "strikes": (
        STRIKES,
        "strike_id pile_id blow_number station_id system_id time_utc range_m energy_kj recording start_sample "
        "peak_level_db peak_to_peak_level_db exposure_level_db rms_level_db pulse_duration_s rise_time_s kurtosis "
        "max_125ms_level_db noise_level_db noise_peak_level_db signal_to_noise_db window_s "
        "unsubtracted_exposure_level_db peak_censoring exposure_censoring flags "
        "exposure_level_nmfs_2024_lf_db exposure_censoring_nmfs_2024_lf "
        "exposure_level_nmfs_2024_vhf_db exposure_censoring_nmfs_2024_vhf",
    ),
    "bands": (
        BANDS,
        "strike_id station_id exposure_level_31_5hz_db exposure_level_1000hz_db "
        "noise_exposure_level_31_5hz_db noise_exposure_level_1000hz_db",
    ),
    "summary": (
        SUMMARY,
        "pile_id station_id quantity weighting band_hz range_m n_strikes n_censored mean_db energy_mean_db median_db "
        "exceeded_5_db exceeded_50_db exceeded_90_db exceeded_95_db minimum_db maximum_db "
        "cumulative_exposure_level_db standard_uncertainty_db",
    ),
    "exposure": (
        EXPOSURE,
        "station_id pile_id start_utc end_utc period weighting n_piles n_logged n_strikes recorded_fraction "
        "measured_db upper_db completed_db censoring",
    ),
    "background": (
        BACKGROUND,
        "station_id pile_id start_utc duration_s level_db level_31_5hz_db level_1000hz_db level_nmfs_2024_lf_db "
        "level_nmfs_2024_vhf_db flags",
    ),
    "comparison": (
        COMPARISON,
        "pile_id station_id prediction_id quantity weighting band_hz statistic range_m n_strikes measured_db "
        "measured_uncertainty_db predicted_db predicted_extrapolated bias_db measured_as_recorded_db flags",
    ),
}
TABLES = [*(table for table, _ in CONTRACT.values()), UNPAIRED]
IDENTIFIERS = {"strike_id", "pile_id", "station_id", "system_id", "prediction_id"}


@pytest.mark.parametrize("name", CONTRACT)
def test_every_column_of_the_contract(name: str) -> None:
    table, columns = CONTRACT[name]
    assert table.name == name
    assert set(columns.split()) <= set(table.column_names)
    assert len(set(table.column_names)) == len(table.column_names)


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_units_and_meanings_stand_in_the_schema(table: Table) -> None:
    for field in table.schema():
        unit, meaning = field.metadata[b"unit"].decode(), field.metadata[b"meaning"].decode()
        assert meaning
        endings = {"_db": "dB", "_m": "m", "_s": "s", "_hz": "Hz", "_kj": "kJ", "_utc": "UTC"}
        for ending, expected in endings.items():
            if field.name.endswith(ending):
                assert unit.startswith(expected), field.name
        absolute = "level" in field.name and field.name.endswith("_db")
        if absolute:
            assert "re 1 µPa" in unit, field.name
        if "exposure_level" in field.name:
            assert unit == "dB re 1 µPa² s", field.name


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_types_are_those_of_the_contract(table: Table) -> None:
    short = table.name in {"bands", "background"}
    for field in table.schema():
        if field.name in IDENTIFIERS:
            assert field.type == pa.string()
        if field.name.endswith("_utc"):
            assert field.type == pa.timestamp("us", tz="UTC")
        if field.name.startswith("n_") or field.name == "blow_number":
            assert field.type == pa.int32()
        if field.name.endswith("_db"):
            assert field.type == (pa.float32() if short else pa.float64())
        if field.name == "flags":
            assert field.type == pa.list_(pa.string())


PLACES = {"strikes", "background", "fit", "comparison", "bias", "correction", "forecast", "insertion_loss"}


def test_every_flag_has_one_name_a_meaning_and_a_place() -> None:
    assert len({flag.name for flag in _FLAGS}) == len(_FLAGS) == len(FLAGS)
    for name, flag in FLAGS.items():
        assert name == flag.name
        assert name.isidentifier()
        assert name == name.lower()
        assert len(flag.meaning) > 10
        assert set(flag.applies_to.split(", ")) <= PLACES
        assert flag.excluded_from <= set(Stage)


def test_what_flags_exclude_from() -> None:
    assert "clipped" not in flags_excluding(Stage.SUMMARY)  # a clipped strike is "at least", not left out
    assert "outside_piling" in flags_excluding(Stage.SUMMARY)
    assert "basis_unknown" in flags_excluding(Stage.COMPARISON)
