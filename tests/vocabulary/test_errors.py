"""Faults: their order, their text, and that errors survive the way out of another process."""

from __future__ import annotations

import pickle

import pytest

from reconcile.vocabulary.errors import Fault, InputError, MachineError, ResultsError, suggestion


def fault(file: str, where: str) -> Fault:
    return Fault(file, where, "this", "that")


def test_faults_are_listed_in_the_order_of_reading() -> None:
    places = [
        ("campaign.toml", "systems[2].id"),
        ("campaign.toml", "systems[10].id"),
        ("piles.csv", ""),
        ("piles.csv", "line 4, column range_m"),
        ("piles.csv", "line 10"),
        ("piles.csv", "line 10, column diameter_m"),
        ("piles.csv", "line 00011"),
        ("piles.csv", "line " + "9" * 5000),
        ("recordings/2.wav", ""),
        ("recordings/10.wav", ""),
    ]
    error = InputError(fault(*place) for place in reversed(places))
    assert [(f.file, f.where) for f in error.faults] == places


def test_text_names_place_found_and_needed() -> None:
    error = InputError([Fault("piles.csv", "line 3", "'x'", "a number", "did you mean 7?"), Fault("a", "", "b", "c")])
    assert str(error) == "a: found b; needed: c\npiles.csv, line 3: found 'x'; needed: a number (did you mean 7?)"


@pytest.mark.parametrize("kind", [InputError, ResultsError])
def test_input_errors_survive_pickling(kind: type[InputError]) -> None:
    error = kind([fault("b", "line 2"), fault("a", "")])
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is kind
    assert again.faults == error.faults
    assert str(again) == str(error)


def test_machine_errors_survive_pickling() -> None:
    again = pickle.loads(pickle.dumps(MachineError("results/strikes.parquet", "No space left on device")))
    assert (again.path, again.reason) == ("results/strikes.parquet", "No space left on device")
    assert str(again) == "results/strikes.parquet: No space left on device"


def test_suggestions() -> None:
    assert suggestion("senstivity_db", ["sensitivity_db", "gain_db"]) == "did you mean 'sensitivity_db'?"
    assert suggestion("zzz", ["sensitivity_db"]) == ""
