"""What was left out: pauses in one line, strikes not heard, pairs that do not count, the budget once per station."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from reconcile.report.evidence import Evidence
from reconcile.report.subjects import Subject
from reconcile.report.tables.exclusions import input_notes, missing_strikes
from reconcile.report.tables.fits import fit_table
from reconcile.report.tables.predictions import not_in_the_biases, pairs_table, unpaired_table
from reconcile.report.tables.uncertainty import budget_table, component_table
from tests.report.small_evidence import N_STRIKES, whole


def test_pauses_are_one_line_with_number_shortest_and_longest() -> None:
    lines = [
        "station S1: gap of 23560.000 s before a.wav",
        "station S1: gap of 27760.000 s before b.wav",
        "station S2: gap of 0.250 s before c.wav",
        "station S2: gap of 23260.000 s before d.wav",
        "another note",
    ]
    pause, *others = input_notes(lines)
    assert pause.startswith("3 pauses between recordings (2 at S1, 1 at S2)")
    assert "the shortest 6 h 27 min 40 s, the longest 7 h 42 min 40 s" in pause  # 23260 = 6·3600 + 27·60 + 40
    assert others == [lines[2], lines[4]]
    assert input_notes(lines[:1]) == (lines[0],)


def with_stage(evidence: Evidence, counts: dict[str, int], unheard: bool) -> Evidence:
    stages = tuple(s.model_copy(update={"counts": counts}) for s in evidence.manifest.stages)
    strikes = evidence.strikes
    if unheard:
        first = pd.Series(range(len(strikes)), index=strikes.index) < 4
        strikes = strikes.assign(flags=first.map(lambda unheard: ["not_heard"] if unheard else []))
    return replace(evidence, manifest=evidence.manifest.model_copy(update={"stages": stages}), strikes=strikes)


@pytest.mark.parametrize(
    ("counts", "unheard", "said"),
    [
        ({}, False, "have no row yet"),
        ({"strikes_not_heard": 0}, False, "Every strike that was known was heard"),
        ({"strikes_not_heard": 4}, True, "did not hear: 4 of 24 rows"),
    ],
)
def test_strikes_that_were_not_heard_are_told_by_what_there_is(
    counts: dict[str, int], unheard: bool, said: str
) -> None:  # fmt: skip
    assert said in missing_strikes(with_stage(whole(), counts, unheard))[0][0]


@pytest.mark.parametrize(
    ("flags", "n_censored", "said"),
    [
        (("censored_rows_left_out",), 3, "not in the likelihood"),
        (("censored_rows",), 3, "in the curves as limits"),
        ((), 0, "No curve met a strike"),
    ],
)
def test_censored_strikes_in_fits_are_told_by_what_there_is(
    flags: tuple[str, ...], n_censored: int, said: str
) -> None:  # fmt: skip
    evidence = whole()
    assert evidence.fit is not None
    fits = tuple(f.model_copy(update={"flags": flags, "n_censored": n_censored}) for f in evidence.fit.fits)
    changed = replace(evidence, fit=evidence.fit.model_copy(update={"fits": fits}))
    assert said in missing_strikes(changed)[1][0]


def test_pairs_that_do_not_count_are_listed_by_name_with_their_reason() -> None:
    evidence = whole()
    rms = evidence.pairs.assign(quantity="rms_level", statistic=None, counted=False)
    rms["flags"] = rms["flags"].map(lambda _: ["basis_unknown"])
    changed = replace(evidence, comparison=pd.concat([evidence.pairs, rms], ignore_index=True))
    rows = unpaired_table(changed).bodies[0].rows
    listed = next(row for row in rows if "mean-square sound pressure level" in str(row[1]))
    assert listed[0] == "MONO"
    assert listed[2:4] == ("P1, P2", "S1, S2")
    assert str(listed[4]).startswith("4 pairs, not counted: ")
    assert "neither statistic nor" in str(listed[4])
    assert not_in_the_biases(changed.pairs, changed.biases) == "mean-square sound pressure level of MONO"
    assert not_in_the_biases(evidence.pairs, evidence.biases) == ""


def test_pairs_give_both_counts_and_how_levels_were_brought_to_the_energy() -> None:
    table = pairs_table(whole(), Subject("exposure_level"))
    names = [head.name for head in table.head]
    row = table.bodies[0].rows[0]
    assert row[names.index("Strikes")] == str(N_STRIKES)
    assert row[names.index("Strikes as recorded")] == str(N_STRIKES + 3)
    assert "brought to 2000 kJ by 10.00 dB per decade of energy" in table.bodies[0].note


def test_level_of_a_model_names_range_and_reference_and_few_piles_are_starred() -> None:
    table = fit_table(whole(), Subject("exposure_level"))
    assert (table.head[1].name, table.head[1].unit) == ("Level at 750 m", "dB re 1 µPa² s")
    assert str(table.bodies[0].rows[0][6]).endswith("*")


def test_budget_has_one_row_for_each_station_and_sources_once() -> None:
    parts = [("scatter of the strikes", "strike", True), ("background subtraction", "strike", False),
             ("whole chain", "system", True)]  # fmt: skip
    rows = [
        {"pile_id": pile, "station_id": station, "system_id": "H1", "component": name, "common_to": common,
         "standard_uncertainty_db": 0.1 * (1 + p) + 0.3 * i, "degrees_of_freedom": None, "counted": counted,
         "source": f"source of {name}"}
        for station in ("S1", "S2")
        for p, pile in enumerate(("P1", "P2"))
        for i, (name, common, counted) in enumerate(parts)
    ]  # fmt: skip
    evidence = replace(whole(), uncertainty=pd.DataFrame(rows))
    table = budget_table(evidence)
    assert [row[0] for row in table.bodies[0].rows] == ["S1", "S2"]
    assert table.bodies[0].rows[0][2:] == ("0.20", "0.50", "0.80")  # those of P2, the larger
    assert [head.unit for head in table.head[2:]] == ["dB", "dB, not added", "dB"]
    assert [row[2] for row in component_table(evidence).bodies[0].rows] == ["yes", "no", "yes"]
