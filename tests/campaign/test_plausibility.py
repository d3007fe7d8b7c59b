"""Chains that can hardly be meant are noted; usual ones are not."""

from __future__ import annotations

import pytest

from reconcile.campaign.faults import Findings
from reconcile.campaign.plausibility import full_scale_level_db, implausible, note_implausible_chains
from reconcile.vocabulary.documents.campaign import System


def stages(sensitivity_db: float | None, gain_db: float = 20.0, full_scale_v: float = 2.5, **more: object) -> System:
    values = {"sensitivity_db": sensitivity_db, "gain_db": gain_db, "full_scale_v": full_scale_v}
    return System.model_validate({"id": "H1", "standard_uncertainty_db": 0.7} | values | more)


def end_to_end(sensitivity_db: float) -> System:
    return System(id="H2", end_to_end_sensitivity_db=sensitivity_db, standard_uncertainty_db=0.7)


@pytest.mark.parametrize(
    "system",
    [
        stages(-176.0),
        stages(-211.0, 0.0),
        stages(-165.0, 40.0, 1.0),
        end_to_end(-164.0),
        end_to_end(-220.0),
        stages(-176.0, sensitivity_curve=((10.0, -180.0), (1000.0, -176.0))),
    ],
)
def test_usual_chains_are_not_noted(system: System) -> None:
    assert implausible(system) == ""


def test_full_scale_is_a_sound_pressure_level() -> None:
    assert full_scale_level_db(stages(-176.0)) == pytest.approx(176.0 - 20.0 + 7.9588, abs=1e-4)  # 20 lg 2.5
    assert full_scale_level_db(end_to_end(-164.0)) == 164.0


@pytest.mark.parametrize("more", [{}, {"sensitivity_curve": ((10.0, -180.0), (1000.0, -56.0))}])
def test_a_sensitivity_re_1_v_per_pa(more: dict[str, object]) -> None:
    assert "is it re 1 V/Pa? Then -176 dB re 1 V/µPa would be written" in implausible(stages(-56.0, **more))


@pytest.mark.parametrize(
    "system", [end_to_end(-44.0), end_to_end(-284.0), stages(-176.0, -100.0), stages(-170.0, 60.0)]
)
def test_a_full_scale_that_no_recorder_has(system: System) -> None:
    assert "digital full scale is a sound pressure level of" in implausible(system)


def test_notes_name_the_system() -> None:
    findings = Findings()
    note_implausible_chains((stages(-176.0), end_to_end(-44.0)), findings)
    assert [note[:10] for note in findings.notes] == ["system H2:"]
    assert findings.faults == []


def test_millivolts_and_a_gain_that_attenuates_are_noted() -> None:
    assert "millivolts" in implausible(stages(-176.0, full_scale_v=2500.0))
    assert "a gain of -20 dB attenuates" in implausible(stages(-176.0, gain_db=-20.0))
