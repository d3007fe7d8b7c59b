"""The choice between models by its stated rule, on invented criteria."""

from __future__ import annotations

from dataclasses import replace

import pytest

from reconcile.spreading.selection import Candidate, choose

ALL = ("spreading", "damped_cylindrical", "spreading_attenuation")
Three = tuple[float, float, float]


def _candidates(
    criteria: Three,
    left_out: Three = (2.0, 2.0, 2.0),
    alpha: tuple[float, float] = (0.5, 0.5),
    quantity: str = "exposure_level",
    correlation: float = 0.9,
    n_ranges: int = 5,
) -> list[Candidate]:
    laws = zip(ALL, (15.0, 10.0, 14.0), (0.0, *alpha), (2, 2, 3), criteria, left_out, strict=True)
    return [
        Candidate(
            model,  # type: ignore[arg-type]
            quantity,
            spreading,
            attenuation,
            count,
            criterion,
            criterion,
            left_out_db,
            correlation if count == 3 else 0.0,
            n_ranges,
        )
        for model, spreading, attenuation, count, criterion, left_out_db in laws
    ]


@pytest.mark.parametrize(
    ("criteria", "left_out", "expected"),
    [
        ((100.0, 100.0, 100.0), (2.0, 2.0, 2.0), "spreading_attenuation"),
        ((100.0, 100.0, 101.9), (1.0, 2.0, 2.0), "spreading_attenuation"),
        ((100.0, 100.0, 102.1), (1.9, 2.0, 2.0), "spreading"),
        ((100.0, 100.0, 102.1), (2.1, 2.1, 2.0), "spreading_attenuation"),
        ((100.0, 97.0, 99.9), (2.0, 1.9, 2.0), "damped_cylindrical"),
        ((100.0, 97.0, 102.1), (2.0, 2.1, 2.2), "spreading"),
        ((100.0, 98.5, 102.1), (2.0, 1.9, 2.2), "spreading"),
    ],
    ids=[
        "alike",
        "foretells better but AICc lower by less than 2",
        "foretells better and AICc lower by more than 2",
        "AICc lower by more than 2 but foretells worse",
        "damped cylindrical better than both",
        "damped cylindrical foretells worse",
        "damped cylindrical gains less than 2",
    ],
)
def test_the_fullest_unless_a_simpler_one_does_better_in_both(criteria: Three, left_out: Three, expected: str) -> None:
    chosen = choose(_candidates(criteria, left_out))
    assert [name for name in ALL if chosen[name].selected] == [expected]
    assert all(candidate.reason for candidate in chosen.values())


def test_the_reason_for_the_fullest_law_is_the_rule() -> None:
    reason = choose(_candidates((100.0, 105.0, 101.9), (1.9, 2.5, 2.0)))["spreading_attenuation"].reason
    assert reason.startswith("kept, for no simpler model both foretells no worse and has an AICc lower by more than 2:")
    assert "AICc" in reason


def test_with_two_ranges_the_simplest_is_taken_and_said() -> None:
    made = [replace(one, two_ranges=True) for one in _candidates((100.0, 90.0, 80.0), (2.0, 1.0, 1.0))[:2]]
    chosen = choose(made)
    assert chosen["spreading"].selected
    assert chosen["damped_cylindrical"].supported  # a rival still: what lies beyond the ranges is left open
    assert all("laws not told apart" in one.reason for one in chosen.values())


def test_laws_that_do_alike_are_said_not_to_be_told_apart() -> None:
    chosen = choose(_candidates((100.0, 100.02, 110.0), (2.0, 2.0, 3.0)))
    assert "laws not told apart" in chosen["damped_cylindrical"].reason
    assert "laws not told apart" not in chosen["spreading_attenuation"].reason


def test_a_negative_attenuation_is_never_chosen() -> None:
    chosen = choose(_candidates((100.0, 90.0, 80.0), alpha=(-0.1, -0.2)))
    assert chosen["spreading"].selected
    assert not chosen["damped_cylindrical"].supported
    assert not chosen["spreading_attenuation"].supported


@pytest.mark.parametrize(
    ("facts", "words"),
    [({"correlation": -0.995}, "cannot be told apart"), ({"n_ranges": 3}, "met exactly")],
    ids=["not separable", "three ranges"],
)
def test_what_the_data_cannot_carry_is_refused_and_said(facts: dict[str, float], words: str) -> None:
    chosen = choose(_candidates((100.0, 100.0, 80.0), **facts))  # type: ignore[arg-type]
    assert chosen["spreading"].selected
    assert words in chosen["spreading_attenuation"].reason


@pytest.mark.parametrize("quantity", ["peak_level", "rms_level"])
def test_damped_cylindrical_is_for_exposure(quantity: str) -> None:
    chosen = choose(_candidates((100.0, 90.0, 103.0), (2.0, 1.0, 2.5), quantity=quantity))
    assert chosen["spreading"].selected
    assert "describes exposure" in chosen["damped_cylindrical"].reason


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
