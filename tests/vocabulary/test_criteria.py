"""Thresholds and limits against the published tables in tests/reference, row by row, and identities between them."""

from __future__ import annotations

from collections import Counter

import pytest

from reconcile.vocabulary.criteria import CRITERIA, CRITERIA_SETS, Criterion, criteria_of, criteria_set_needed
from reconcile.vocabulary.weightings import WEIGHTINGS
from tests.reference_rows import reference_rows

COMPARABLE = {"peak_level", "exposure_level", "rms_level", "max_125ms_level", "cumulative_exposure_level"}
# Left out: groups in air (re 20 µPa), M-weighting of 2007, observations that are no threshold, rules without a level.
MAMMALS = [
    row
    for row in reference_rows("auditory_thresholds.csv")
    if row["medium"] == "water" and row["guidance"] != "southall-2007" and row["quantity"] in COMPARABLE
]
FISH = [row for row in reference_rows("fish_and_turtle_criteria.csv") if row["quantity"] in COMPARABLE]
FISH = [row for row in FISH if row["effect"] != "effective quiet"]  # a rule of summing: a setting
NATIONAL = [row for row in reference_rows("national_limits.csv") if row["limit_db"]]
COUNTRIES = {
    "Germany": "germany-windseev", "Netherlands": "netherlands", "Belgium": "belgium", "Taiwan": "taiwan",
}  # fmt: skip


def only(found: list[Criterion]) -> Criterion:
    assert len(found) == 1, found
    return found[0]


@pytest.mark.parametrize("row", MAMMALS, ids=lambda r: "-".join(list(r.values())[:6]).replace(" ", "_"))
def test_marine_mammals(row: dict[str, str]) -> None:
    subjects = {"us-behaviour": "marine mammals", "tougaard-2021": "porpoises"}
    found = only(
        [
            c
            for c in criteria_of(row["guidance"])
            if (c.subject, c.source_type, c.effect, c.quantity)
            == (subjects.get(row["guidance"], row["group"]), row["source_type"], row["effect"], row["quantity"])
        ]
    )
    assert (found.weighting, found.level_db) == (row["weighting"], float(row["threshold_db"]))
    assert found.standing == row["checked"]
    assert (found.period == "24_h_from_first_strike") == (row["accumulation_h"] == "24")


@pytest.mark.parametrize("row", FISH, ids=lambda r: "-".join(list(r.values())[:6]).replace(" ", "_"))
def test_fish_turtles_eggs_and_larvae(row: dict[str, str]) -> None:
    kind = {"impulsive": "impulsive", "non-impulsive": "non_impulsive"}.get(row["note"])
    found = only(
        [
            c
            for c in criteria_of(row["criterion"])
            if (c.subject, c.effect, c.quantity) == (row["animals"], row["effect"], row["quantity"])
            and (kind is None or c.source_type == kind)
        ]
    )
    assert (found.weighting, found.level_db) == (row["weighting"], float(row["threshold_db"]))
    assert (found.relation, found.standing) == (row["relation"], row["checked"])


@pytest.mark.parametrize("row", NATIONAL, ids=lambda r: f"{r['country']}-{r['quantity']}-{r['limit_db']}")
def test_national_limits(row: dict[str, str]) -> None:
    name = COUNTRIES.get(row["country"], "denmark-2016" if "2016" in row["source"] else "denmark-2022")
    found = only(
        [c for c in criteria_of(name) if (c.quantity, c.level_db) == (row["quantity"], float(row["limit_db"]))]
    )
    assert found.weighting == row["weighting"]
    assert found.range_m == (float(row["range_m"]) if row["range_m"] else None)
    assert found.standing == row["checked"]
    assert found.kind == "limit"
    assert found.statistic in (row["statistic"] or None, "maximum", None)
    assert found.fleeing == ("fleeing" in row["note"])


def test_nothing_is_there_that_the_tables_do_not_print() -> None:
    assert len(CRITERIA) == len(MAMMALS) + len(FISH) + len(NATIONAL)


def levels(guidance: str, source_type: str, effect: str, quantity: str) -> dict[str, float]:
    return {
        c.subject: c.level_db
        for c in criteria_of(guidance)
        if (c.source_type, c.effect, c.quantity) == (source_type, effect, quantity)
    }


@pytest.mark.parametrize(("guidance", "injury"), [("southall-2019", "PTS"), ("nmfs-2024", "AUD INJ")])
def test_identities_between_thresholds(guidance: str, injury: str) -> None:
    """Published rules: injury lies 20 dB above TTS (non-impulsive), 15 dB (impulsive exposure), 6 dB (peak)."""
    for source_type, quantity, step in (
        ("non_impulsive", "cumulative_exposure_level", 20.0),
        ("impulsive", "cumulative_exposure_level", 15.0),
        ("impulsive", "peak_level", 6.0),
    ):
        onset = levels(guidance, source_type, "TTS", quantity)
        assert onset
        assert levels(guidance, source_type, injury, quantity) == {k: v + step for k, v in onset.items()}


def test_tts_onset_is_that_of_the_weighting_tables() -> None:
    """Column tts_onset_db of the parameters: K + C rounded is the threshold of steady sound."""
    for row in reference_rows("auditory_weighting_parameters.csv"):
        if row["medium"] == "water" and row["tts_onset_db"]:
            onset = levels(row["guidance"], "non_impulsive", "TTS", "cumulative_exposure_level")
            assert onset[row["group"]] == float(row["tts_onset_db"])


def test_weighted_thresholds_name_a_weighting_and_peaks_none() -> None:
    for criterion in CRITERIA:
        assert criterion.weighting in ("none", *WEIGHTINGS)
        assert criterion.quantity != "peak_level" or criterion.weighting == "none"
        assert (criterion.period is not None) == (criterion.quantity == "cumulative_exposure_level")
        assert criterion.source
        assert criterion.date


def test_no_two_are_the_same_and_sets_are_found_by_name() -> None:
    keys = Counter((c.criteria_set, c.subject, c.effect, c.source_type, c.quantity, c.weighting) for c in CRITERIA)
    assert set(keys.values()) == {1}
    assert criteria_set_needed("nmfs-2024") == ("", "")
    assert criteria_set_needed("mine", ["mine"]) == ("", "")
    needed, hint = criteria_set_needed("nmfs-2042")
    assert needed == f"one of {', '.join(CRITERIA_SETS)}"
    assert "nmfs-2024" in hint
