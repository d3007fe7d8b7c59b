"""Sensitivities from tones written through known chains, the mistakes they point to, and how they go in time."""

from __future__ import annotations

from datetime import UTC, datetime
from math import hypot, sqrt
from pathlib import Path

import numpy as np
import pytest

from reconcile.recordings.field_checks import check_calibration, field_sensitivity, stated_sensitivity_db
from reconcile.recordings.sensitivity_path import (
    effective_uncertainty_db,
    sensitivity_path,
    sensitivity_paths,
    with_effective_uncertainty,
)
from reconcile.recordings.tone import ToneMeasure
from reconcile.vocabulary.documents.campaign import Campaign, FieldCheck, Settings, Station, System
from reconcile.vocabulary.documents.manifest import FieldCheckEntry
from tests.recordings.tones import full_scale_pa, tone_pa, write_pcm_24

CALIBRATOR_DB = 150.0
STAGES = System(id="H", sensitivity_db=-176.0, gain_db=20.0, full_scale_v=2.5, standard_uncertainty_db=0.7)
END_TO_END = System(id="H", end_to_end_sensitivity_db=-164.0, standard_uncertainty_db=0.7)
STAGES_DB = -176.0 + 20.0 - 7.9588  # 20 lg 2.5 = 7.9588
SPAN_US = (0, 10_000_000)


def check(file: str = "c.wav", **values: object) -> FieldCheck:
    stated = {"level_db": CALIBRATOR_DB, "frequency_hz": 250.0, "when": "before", "standard_uncertainty_db": 0.3}
    return FieldCheck.model_validate({"file": file} | stated | values)


def campaign(system: System, **settings: object) -> Campaign:
    return Campaign(
        name="c",
        sound_speed_m_s=1500.0,
        settings=Settings.model_validate(settings),
        systems=(system,),
        stations=(Station(id="S", system="H", recordings="*.wav", mooring_id="S"),),
        piles=(),
        ranges=(),
    )


def entry(difference_db: float, system: System = END_TO_END, **values: object) -> FieldCheckEntry:
    """A check that gave this difference against the stated chain."""
    rms = 10 ** ((CALIBRATOR_DB + stated_sensitivity_db(system, 250.0) + difference_db) / 20)
    return field_sensitivity(system, check(**values), ToneMeasure(250.0, rms, 0.01, 9, 0.0, 0.0, 2.0))


@pytest.mark.parametrize(("system", "sensitivity_db"), [(STAGES, STAGES_DB), (END_TO_END, -164.0)])
def test_the_sensitivity_of_a_chain_from_a_tone_in_pascals(
    tmp_path: Path, system: System, sensitivity_db: float
) -> None:
    sound = tone_pa(CALIBRATOR_DB, 10.0, on_s=(3.0, 8.0), noise_below_db=20.0) / full_scale_pa(sensitivity_db)
    write_pcm_24(tmp_path / "c.wav", [np.zeros(sound.size), sound])
    used = campaign(system.model_copy(update={"checks": (check(channel=2),)}))
    checked = check_calibration(used, (tmp_path,))
    (found,) = checked.entries
    assert found.problem == ""
    assert found.sensitivity_db == pytest.approx(sensitivity_db, abs=0.02)
    assert found.difference_db == pytest.approx(0.0, abs=0.02)
    assert found.standard_uncertainty_db == pytest.approx(0.3, abs=0.001)
    assert (checked.refused, checked.damaged, checked.warnings) == ({}, {}, [])


def test_a_curve_is_the_stated_sensitivity_at_the_tones_frequency() -> None:
    curve = ((100.0, -178.0), (1000.0, -176.0), (10_000.0, -170.0))
    system = STAGES.model_copy(update={"sensitivity_curve": curve})
    at_250 = -178.0 + 2.0 * np.log10(2.5)
    assert stated_sensitivity_db(system, 250.0) == pytest.approx(STAGES_DB - (-176.0) + at_250, abs=1e-4)


def test_uncertainty_is_the_calibrators_and_the_fits() -> None:
    found = field_sensitivity(END_TO_END, check(), ToneMeasure(250.0, 0.1, 0.4, 9, 0.0, 0.0, 2.0))
    assert found.standard_uncertainty_db == pytest.approx(hypot(0.3, 0.4))
    assert found.sensitivity_db == pytest.approx(-20.0 - CALIBRATOR_DB)


@pytest.mark.parametrize(
    ("difference_db", "system", "words"),
    [
        (-3.01, STAGES, "full_scale_v looks like an rms value"),
        (-3.01, STAGES, "level_db looks like a peak level"),
        (3.01, STAGES, "1.414 times too large"),
        (6.02, STAGES, "peak-to-peak"),
        (-6.02, STAGES, "half of what it is"),
        (-3.01, END_TO_END, "rms full scale"),
        (6.02, END_TO_END, "peak-to-peak full scale"),
        (-20.1, STAGES, "gain_db (20 dB) is stated, but was not on"),
        (20.1, STAGES, "acts twice"),
        (-40.0, STAGES, "wrong sign"),
        (-120.2, STAGES, "sensitivity_db looks stated re 1 Pa"),
        (-120.0, END_TO_END, "end_to_end_sensitivity_db looks stated re 1 Pa"),
        (120.0, STAGES, "converted once more"),
        (-48.1, STAGES, "lower bytes"),
        (48.2, STAGES, "taken for 32-bit"),
        (26.0, STAGES, "re 20 µPa"),
    ],
)
def test_known_mistakes_are_named(difference_db: float, system: System, words: str) -> None:
    assert words in entry(difference_db, system).hint


@pytest.mark.parametrize("difference_db", [0.0, 0.8, -1.5, 12.0, -33.0])
def test_other_differences_give_no_hint(difference_db: float) -> None:
    assert entry(difference_db, STAGES).hint == ""


@pytest.mark.parametrize(
    ("file", "problem"),
    [
        ("absent.wav", "it is not there"),
        ("text.wav", "not a recording: only WAV and FLAC are read"),
        ("silent.wav", "no tone near 250 Hz"),
        ("clipped.wav", "the tone is clipped"),
        ("one_channel.wav", "the check needs channel 2, it has 1"),
    ],
)
def test_what_cannot_be_used_is_named(tmp_path: Path, file: str, problem: str) -> None:
    tone = tone_pa(CALIBRATOR_DB, 3.0) / full_scale_pa(-164.0)
    (tmp_path / "text.wav").write_text("no sound")
    write_pcm_24(tmp_path / "silent.wav", [np.zeros(24_000)])
    write_pcm_24(tmp_path / "clipped.wav", [20 * tone])
    write_pcm_24(tmp_path / "one_channel.wav", [tone])
    channel = 2 if file == "one_channel.wav" else 1
    used = campaign(END_TO_END.model_copy(update={"checks": (check(file, channel=channel),)}))
    checked = check_calibration(used, (tmp_path,))
    assert problem in checked.refused[file]
    assert problem in checked.entries[0].problem
    assert checked.entries[0].sensitivity_db is None
    assert effective_uncertainty_db(END_TO_END, checked.entries, Settings()) is None


def test_a_check_that_is_cut_short_is_used_and_named(tmp_path: Path) -> None:
    tone = tone_pa(CALIBRATOR_DB, 5.0) / full_scale_pa(-164.0)
    write_pcm_24(tmp_path / "c.wav", [tone])
    (tmp_path / "c.wav").write_bytes((tmp_path / "c.wav").read_bytes()[:-9000])
    checked = check_calibration(campaign(END_TO_END.model_copy(update={"checks": (check(),)})), (tmp_path,))
    assert "cut short" in checked.damaged["c.wav"]
    assert checked.entries[0].difference_db == pytest.approx(0.0, abs=0.01)


def test_the_first_place_that_has_the_file_is_used(tmp_path: Path) -> None:
    tone = tone_pa(CALIBRATOR_DB, 3.0) / full_scale_pa(-164.0)
    write_pcm_24(tmp_path / "folder" / "c.wav", [tone])
    (tmp_path / "disk").mkdir()
    used = campaign(END_TO_END.model_copy(update={"checks": (check(),)}))
    checked = check_calibration(used, (tmp_path / "disk", tmp_path / "folder"))
    assert checked.files == {"c.wav": tmp_path / "folder" / "c.wav"}


def test_beyond_the_tolerance_and_drift_are_warnings(tmp_path: Path) -> None:
    for name, level_db in (("a.wav", CALIBRATOR_DB), ("b.wav", CALIBRATOR_DB - 1.5)):
        write_pcm_24(tmp_path / name, [tone_pa(level_db, 4.0, noise_below_db=20.0) / full_scale_pa(-164.0)])
    checks = (check("a.wav"), check("b.wav", when="after"))
    checked = check_calibration(campaign(END_TO_END.model_copy(update={"checks": checks})), (tmp_path,))
    assert [e.difference_db for e in checked.entries] == pytest.approx([0.0, -1.5], abs=0.05)
    first, second = checked.warnings
    assert "b.wav gives a sensitivity of -165.5" in first
    assert "dB against the stated -164.00 dB (tolerance 0.5 dB)" in first
    assert "its field checks lie 1.5" in second


def test_linear_in_time_between_before_and_after_and_held_beyond() -> None:
    path, oddities = sensitivity_path([entry(-1.5, when="after"), entry(0.3)], SPAN_US)
    at = np.array([-5_000_000, 0, 2_500_000, 10_000_000, 20_000_000])
    assert path.difference_at(at) == pytest.approx([0.3, 0.3, -0.15, -1.5, -1.5])
    assert oddities == []


def test_a_check_between_with_a_time_and_a_step_after_it() -> None:
    middle = entry(1.0, when=None, time_utc=moment(4.0), drift="step", step_utc=moment(6.0))
    path, oddities = sensitivity_path([entry(0.0), middle, entry(-2.0, when="after")], SPAN_US)
    at = np.array([2_000_000, 4_000_000, 5_999_999, 6_000_000, 10_000_000])
    assert path.difference_at(at) == pytest.approx([0.5, 1.0, 1.0, -2.0, -2.0])
    assert oddities == []


def test_checks_of_one_time_count_as_their_mean() -> None:
    path, _ = sensitivity_path([entry(0.2), entry(0.6)], SPAN_US)
    assert path.difference_at(np.array([0, 5])) == pytest.approx([0.4, 0.4])


def test_a_step_outside_its_checks_is_odd_and_a_straight_line() -> None:
    stepped = entry(0.0, drift="step", step_utc=moment(60.0))
    path, oddities = sensitivity_path([stepped, entry(1.0, when="after")], SPAN_US)
    assert path.difference_at(np.array([5_000_000])) == pytest.approx([0.5])
    assert "lies outside the time until the next check" in oddities[0]
    _, alone = sensitivity_path([stepped], SPAN_US)
    assert "no later check says how large it was" in alone[0]


def test_levels_are_corrected_only_where_they_follow_the_checks() -> None:
    entries = [entry(0.0), entry(-1.5, when="after")]
    spans = {("S", "H"): SPAN_US}
    times = np.array([0, 5_000_000, 10_000_000])
    followed, _ = sensitivity_paths(entries, Settings(calibration_source="field_checks"), spans)
    assert followed.correction_db("S", "H", times) == pytest.approx([0.0, 0.75, 1.5])
    assert followed.correction_db("T", "H", times) == pytest.approx([0.0, 0.0, 0.0])
    certificate, _ = sensitivity_paths(entries, Settings(), spans)
    assert certificate.correction_db("S", "H", times) == pytest.approx([0.0, 0.0, 0.0])


def test_the_drift_enters_the_uncertainty_either_way() -> None:
    entries = [entry(0.75), entry(-0.75, when="after")]
    drift = 1.5 / 2 / sqrt(3)  # rectangular
    for source in ("certificate", "field_checks"):
        settings = Settings.model_validate({"calibration_source": source})
        assert effective_uncertainty_db(END_TO_END, entries, settings) == pytest.approx(hypot(0.7, drift), abs=1e-6)


def test_a_contradicted_certificate_is_less_certain() -> None:
    check_db = hypot(0.3, 0.01)
    certificate = effective_uncertainty_db(END_TO_END, [entry(2.0)], Settings())
    assert certificate == pytest.approx(sqrt(0.7**2 + 2.0**2 - 0.7**2 - check_db**2))
    assert effective_uncertainty_db(END_TO_END, [entry(0.5)], Settings()) == pytest.approx(0.7)
    followed = Settings(calibration_source="field_checks")
    assert effective_uncertainty_db(END_TO_END, [entry(2.0)], followed) == pytest.approx(0.7)
    sure = END_TO_END.model_copy(update={"standard_uncertainty_db": 0.1})
    assert effective_uncertainty_db(sure, [entry(2.0)], followed) == pytest.approx(check_db)


def test_the_campaign_carries_the_effective_uncertainty() -> None:
    used = with_effective_uncertainty(campaign(END_TO_END), [entry(0.75), entry(-0.75, when="after")])
    assert used.system("H").standard_uncertainty_db == 0.7
    assert used.system("H").uncertainty_db == pytest.approx(hypot(0.7, 0.75 / sqrt(3)), abs=1e-6)
    assert with_effective_uncertainty(campaign(END_TO_END), []).system("H").uncertainty_db == 0.7


def moment(second: float) -> datetime:
    return datetime.fromtimestamp(second, UTC)
