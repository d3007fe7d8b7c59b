"""The page's section on limits: what is in it, its cautions, and that nothing is there where nothing was compared."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from reconcile.comparison.limits import limit_rows
from reconcile.report import Evidence, page
from reconcile.report.tables.levels import exposure_table
from reconcile.report.tables.limits import limit_sets, limit_table, not_compared_table
from reconcile.vocabulary.criteria import criteria_of
from reconcile.vocabulary.tables import LIMITS
from tests.report.small_evidence import whole


def evidence(*sets: str) -> Evidence:
    base = whole()
    strikes = base.strikes.assign(range_m=750.0, range_standard_uncertainty_m=5.0)
    named = base.campaign.model_copy(update={"criteria": tuple(c for name in sets for c in criteria_of(name))})
    table = limit_rows(strikes, base.exposure, base.summary, base.fit, named)
    return replace(base, campaign=named, limits=table)


def test_nothing_without_criteria() -> None:
    assert "Limits and thresholds" not in page(whole())
    assert not_compared_table(whole()).empty


def test_the_section_with_its_cautions() -> None:
    text = page(evidence("germany-windseev", "nmfs-2024"))
    assert '<section id="limits">' in text
    assert "Limits and thresholds" in text
    assert "What follows from it, the permit and the authority decide" in text
    assert "no animal was there" in text
    # strikes of the made-up evidence: 177.3 dB and five steps of 0.3 dB at S1; limit 160 dB; 95th percentile 178.725 dB
    assert "measured level is 18.7 dB above" in text


def test_a_limit_shows_every_pile_and_a_threshold_the_loudest() -> None:
    found = evidence("germany-windseev", "nmfs-2024")
    assert limit_sets(found) == ("germany-windseev", "nmfs-2024")
    exposure, _ = limit_table(found, "germany-windseev").bodies
    assert {row[1] for row in exposure.rows} == {"P1", "P2"}
    assert exposure.title == "Germany: single-strike sound exposure level"
    assert "3. WindSeeV" in exposure.note
    low = limit_table(found, "nmfs-2024").bodies
    assert all(len({row[0] for row in body.rows}) == len(body.rows) for body in low)
    assert any("AUD INJ" in body.title for body in low)


def test_what_was_not_compared_is_listed_with_its_reason() -> None:
    table = not_compared_table(evidence("denmark-2022"))
    reasons = {row[-1] for row in table.bodies[0].rows}
    assert any("does not follow it" in str(reason) for reason in reasons)
    assert any("not measured of single strikes" in str(reason) for reason in reasons)


def test_an_empty_table_makes_no_fault() -> None:
    nothing = replace(whole(), limits=pd.DataFrame(columns=list(LIMITS.column_names)))
    assert '<section id="limits">' in page(nothing)


def test_effective_quiet_stands_in_the_table_of_exposures_where_it_is_set() -> None:
    base = whole()
    plain = exposure_table(base, "none")
    settings = base.campaign.settings.model_copy(update={"effective_quiet_db": 150.0})
    asked = replace(
        base,
        campaign=base.campaign.model_copy(update={"settings": settings}),
        exposure=base.exposure.assign(above_quiet_db=187.31),
    )
    table = exposure_table(asked, "none")
    assert len(table.head) == len(plain.head) + 1
    assert {len(row) for body in table.bodies for row in body.rows} == {len(table.head)}
    assert {len(row) for body in plain.bodies for row in body.rows} == {len(plain.head)}
    assert "187.3" in page(asked)
