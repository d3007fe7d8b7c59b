"""The sound field verification of a pile as a page: what is said first, harmless names, wording."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from reconcile.comparison.limits import limit_rows
from reconcile.comparison.pile_distances import pile_distances
from reconcile.comparison.verification_record import RecordSource, record_rows
from reconcile.report import Evidence
from reconcile.report.tables import verification as tables
from reconcile.report.verification_page import page_names, verdict, verification_pages
from reconcile.vocabulary.criteria import criteria_of
from reconcile.vocabulary.documents.campaign import LoggedDriving, PredictedRange
from tests.report import small_evidence as small

NAMES = {"P1": '<script>alert(1)</script>"', "S1": "=S1 & <b>", "campaign": "<img src=x>", "abatement": "none"}


def _evidence(names: dict[str, str] | None = None, *, predicted_m: float = 50.0) -> Evidence:
    base = small.whole(names)
    range_row = PredictedRange(
        line=2, prediction_id="MONO", quantity="exposure_level", threshold_db=95.0, range_m=predicted_m,
        statistic="median",
    )  # fmt: skip
    log = LoggedDriving(
        pile_id=base.campaign.piles[0].pile_id, n_blows=6, from_penetration_m=3.0, to_penetration_m=31.25,
        n_with_energy=6, median_energy_kj=1900.0, maximum_energy_kj=2100.0, total_energy_kj=11_400.0,
    )  # fmt: skip
    project = base.campaign.model_copy(
        update={"predicted_ranges": (range_row,), "logged_driving": (log,), "criteria": criteria_of("germany-windseev")}
    )
    summary = base.summary.assign(abatement="none")
    summary["installation_method"] = ["vibratory" if p == "V1" else "impact" for p in summary["pile_id"]]
    parts = [
        {"pile_id": p.pile_id, "station_id": s.id, "abatement": "none", "common_to": "system",
         "standard_uncertainty_db": 0.6, "counted": True}
        for p in project.piles for s in project.stations
    ]  # fmt: skip
    record = record_rows(RecordSource(project, summary, base.exposure, pd.DataFrame(parts), base.comparison))
    strikes = base.strikes.assign(range_m=750.0, range_standard_uncertainty_m=5.0)
    return replace(
        base,
        campaign=project,
        record=record,
        pile_distances=pile_distances(record, base.fit, project),
        limits=limit_rows(strikes, base.exposure, base.summary, base.fit, project),
    )


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)


def test_measured_beyond_predicted_is_said_first() -> None:
    page = verification_pages(_evidence())["P1.html"]
    said = page.index("Measured beyond predicted")
    assert said < page.index("<h2>Distances to levels") < page.index("<h2>Levels at each station")
    assert "predicted at 50\u00a0m" in page
    # of the German limits 160 dB (exposure) and 190 dB (peak), levels of P1 lie above both
    assert "lie below a measured level" in page


def test_levels_are_counted_with_their_places_and_apart_from_distances() -> None:
    levels = pd.DataFrame(
        {
            "outcome": ["beyond", "beyond", "within_uncertainty", "not_beyond"],
            "mooring_id": ["A", "A", "B", "B"],
            "band_hz": [np.nan, 63.0, 80.0, np.nan],
        }
    )
    distances = pd.DataFrame({"outcome": ["within_uncertainty", "within_uncertainty"]})
    assert tables.beyond_sentence(levels, distances) == (
        "Beyond the prediction, with the uncertainty of the measurement taken off: 2 of 4 levels (at 2 places, 2 of "
        "them band levels that are not in the table) and 0 of 2 distances."
    )
    assert tables.within_sentence(levels, distances) == [
        "Above the prediction, but within the uncertainty: 1 level and 2 distances."
    ]
    box = " ".join(verdict(_evidence(), _evidence().piles[0])["sentences"])
    assert "not independent tests" in box
    assert "report.html, which may say that it is not decided" in box


def test_nothing_beyond_and_nothing_to_compare_with_are_told_apart() -> None:
    evidence = _evidence(predicted_m=90_000.0)
    quiet = evidence.record.assign(outcome="not_beyond")  # type: ignore[union-attr]
    found = replace(evidence, record=quiet)
    assert verdict(found, found.piles[0])["title"] == "Nothing measured beyond predicted"
    vibrated = next(pile for pile in evidence.piles if pile.pile_id == "V1")
    assert verdict(evidence, vibrated)["title"] == "Nothing to hold it against"


def test_driving_and_cautions_are_on_the_page() -> None:
    page = verification_pages(_evidence())["P1.html"]
    for text in ("3.00\u00a0m to 31.25\u00a0m", "11.4 MJ", "1900 and 2100\u00a0kJ", "This is a screening aid"):
        assert text in page
    assert "compli" not in page.lower()


def test_names_that_mean_harm_stay_names() -> None:
    pages = verification_pages(_evidence(NAMES))
    page = next(text for name, text in pages.items() if name.startswith("script"))
    tags = _Tags()
    tags.feed(page)
    assert not {"script", "img"} & set(tags.tags)
    assert "&lt;script&gt;" in page
    assert "=S1 &amp; &lt;b&gt;" in page


def test_a_page_asks_for_nothing_from_outside() -> None:
    for text in verification_pages(_evidence()).values():
        assert "http" not in text
        assert "src=" not in text


@pytest.mark.parametrize("pile_id", ["../../etc/passwd", "a/b", "CON:1", "con", ".hidden", "", "ü" * 300, "A" * 200])
def test_names_of_pages_are_safe(pile_id: str) -> None:
    (name,) = page_names([pile_id]).values()
    assert name.endswith(".html")
    assert not set(name) & set('/\\:*?"<>|')
    assert not name.startswith((".", "-"))
    assert len(name) <= 80
    assert name.casefold() != "con.html"


def test_names_that_would_meet_are_kept_apart() -> None:
    names = page_names(["A 1", "A_1", "a_1", "A-1"])
    assert len({name.casefold() for name in names.values()}) == 4
    assert names["A-1"] == "A-1.html"


def test_before_the_record_there_is_no_page() -> None:
    assert verification_pages(small.levels_only()) == {}
