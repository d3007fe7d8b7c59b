"""The head of the page: what its figures count."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from reconcile.report.evidence import Evidence
from reconcile.report.opening import opening
from tests.report.small_evidence import levels_only


def placed(*latitudes: float | None) -> Evidence:
    """The small campaign with its three piles at these latitudes and 5° east."""
    evidence = levels_only()
    piles = tuple(
        pile.model_copy(update={"latitude_deg": latitude, "longitude_deg": None if latitude is None else 5.0})
        for pile, latitude in zip(evidence.campaign.piles, latitudes, strict=True)
    )
    return replace(evidence, campaign=evidence.campaign.model_copy(update={"piles": piles}))


@pytest.mark.parametrize(
    ("latitudes", "counted"),
    [
        ((55.0, 55.01, 55.02), "piles"),
        ((55.0, 55.01, 55.01), "piling operations on 2 piles"),
        ((55.0, 55.01, 55.010004), "piling operations on 2 piles"),  # 0.44 m of latitude at 111 km per degree
        ((55.0, 55.01, 55.01002), "piles"),  # 2.2 m
        ((55.0, 55.01, None), "piling operations"),
    ],
)
def test_operations_within_a_metre_are_on_one_pile(latitudes: tuple[float | None, ...], counted: str) -> None:
    head = opening(placed(*latitudes))
    assert head.facts[0] == ("3", counted)
    assert f"The sound of 3 {counted} (" in head.paragraph


def test_strikes_stand_beside_the_log_and_those_not_in_it_are_explained() -> None:
    evidence = levels_only()  # six strikes of each struck pile, those of P2 not in the log, twelve blows logged
    head = opening(evidence)
    assert head.facts[2] == ("12", "strikes heard, 12 blows logged")
    assert "6 strikes heard are not in it" in head.paragraph
    unheard = evidence.strikes.assign(flags=evidence.strikes["flags"].map(lambda _: ["not_heard"]))
    assert opening(replace(evidence, strikes=unheard)).facts[2][0] == "0"


def test_time_recorded_is_that_of_one_station() -> None:
    evidence = levels_only()
    assert opening(evidence).facts[3] == ("3 h", "recorded at each station")
    first, second = evidence.manifest.streams
    shorter = second.model_copy(update={"end_utc": second.end_utc - timedelta(hours=1)})
    manifest = evidence.manifest.model_copy(update={"streams": (first, shorter)})
    assert opening(replace(evidence, manifest=manifest)).facts[3][0] == "2 h to 3 h"
