"""The choice between models by its stated rule, on invented criteria."""

from __future__ import annotations

import pytest

from reconcile.spreading.selection import Candidate, choose

ALL = ("spreading", "damped_cylindrical", "spreading_attenuation")


def _candidates(
    criteria: tuple[float, float, float], alpha: tuple[float, float] = (0.5, 0.5), quantity: str = "exposure_level"
) -> list[Candidate]:
    first, damped, both = criteria
    return [
        Candidate("spreading", quantity, 15.0, 0.0, 2, first, first),
        Candidate("damped_cylindrical", quantity, 10.0, alpha[0], 2, damped, damped),
        Candidate("spreading_attenuation", quantity, 14.0, alpha[1], 3, both, both),
    ]


@pytest.mark.parametrize(
    ("criteria", "expected"),
    [
        ((100.0, 100.0, 100.0), "spreading"),
        ((100.0, 98.5, 98.5), "spreading"),
        ((100.0, 97.0, 99.0), "damped_cylindrical"),
        ((100.0, 97.0, 96.0), "damped_cylindrical"),
        ((100.0, 97.0, 94.0), "spreading_attenuation"),
        ((100.0, 101.0, 97.0), "spreading_attenuation"),
    ],
)
def test_the_simpler_unless_the_gain_is_over_two(criteria: tuple[float, float, float], expected: str) -> None:
    chosen = choose(_candidates(criteria))
    assert [name for name in ALL if chosen[name].selected] == [expected]
    assert all(candidate.reason for candidate in chosen.values())


def test_a_negative_attenuation_is_never_chosen() -> None:
    chosen = choose(_candidates((100.0, 90.0, 80.0), alpha=(-0.1, -0.2)))
    assert chosen["spreading"].selected
    assert not chosen["damped_cylindrical"].supported
    assert not chosen["spreading_attenuation"].supported


@pytest.mark.parametrize("quantity", ["peak_level", "rms_level"])
def test_damped_cylindrical_is_for_exposure(quantity: str) -> None:
    assert choose(_candidates((100.0, 90.0, 100.0), quantity=quantity))["spreading"].selected


def test_without_a_criterion_models_of_one_size_are_still_compared() -> None:
    chosen = choose(
        [
            Candidate("spreading", None, 15.0, 0.0, 2, 30.0, None),
            Candidate("damped_cylindrical", None, 10.0, 1.0, 2, 20.0, None),
            Candidate("spreading_attenuation", None, 9.0, 1.1, 3, 1.0, None),
        ]
    )
    assert chosen["damped_cylindrical"].selected
    assert "too few levels" in chosen["spreading_attenuation"].reason
