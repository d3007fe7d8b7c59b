"""Foundation and sound over three invented projects: the order is the measured one, usual or reversed."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from reconcile.spreading import fit_campaign
from reconcile.transfer.foundation_order import foundation_relation
from reconcile.transfer.foundations import ProjectResults, foundation_levels
from reconcile.vocabulary.documents.fit import FitDocument
from reconcile.vocabulary.documents.foundations import FoundationRelation, Ranking
from tests.spreading import level_campaigns as invented

STATIONS = {"S0": 500.0, "S1": 750.0, "S2": 1500.0, "S3": 3000.0}
SLOPE = 15.0
# foundation, method, diameter, rated energy, level of a strike or second at 750 m, strikes or seconds, hours
KINDS = [
    ("monopile", "impact", 10.0, 4000.0, 178.0, 3000, 3.0),
    ("tripile", "impact", 6.5, 2500.0, 175.0, 4000, 5.0),
    ("jacket", "impact", 3.0, 1200.0, 171.0, 5000, 6.0),
    ("monopile", "vibratory", 10.0, None, 163.0, 7200, 2.0),
    ("monopile", "drilled", 10.0, None, 150.0, 36_000, 10.0),
    ("suction_bucket", "suction", 12.0, None, 138.0, 18_000, 5.0),
    ("gravity_base", "dredging", 30.0, None, 144.0, 864_000, 240.0),
]
USUAL = [kind[4] for kind in KINDS]
BY_LEVEL = sorted(USUAL, reverse=True)
REVERSED = [BY_LEVEL[len(BY_LEVEL) - 1 - BY_LEVEL.index(level)] for level in USUAL]


def _project(name: str, levels: list[float], seed: int, *, diameter: bool = True) -> ProjectResults:
    """Two piles of each kind at four stations; the project, each pile and each station add their own to the level."""
    random = np.random.default_rng(seed)
    own = random.normal(0.0, 1.0)
    piles, cells, truth = [], {}, {}
    for k, (foundation, method, size, energy, *_, hours) in enumerate(KINDS):
        for n in range(2):
            pile_id = f"{k}-{n}"
            piles.append(
                invented.pile(
                    pile_id, foundation_type=foundation, installation_method=method, rated_energy_kj=energy,
                    diameter_m=size if diameter else None, end_utc=invented.START + timedelta(hours=hours),
                )
            )  # fmt: skip
            truth[pile_id] = levels[k] + own + random.normal(0.0, 0.5)
            cells |= {(pile_id, s): r for s, r in STATIONS.items()}
    campaign = invented.campaign(piles, cells).model_copy(update={"name": name})
    impact = {key: r for key, r in cells.items() if KINDS[int(key[0][0])][1] == "impact"}
    strikes = invented.strikes(
        impact, lambda p, _s, r: float(invented.line_db(r, truth[p], SLOPE)) + random.normal(0, 0.5, 30)
    )
    summary, exposure = [], []
    for (pile_id, station), range_m in cells.items():
        method, count = KINDS[int(pile_id[0])][1], KINDS[int(pile_id[0])][5]
        level = float(invented.line_db(range_m, truth[pile_id], SLOPE)) + random.normal(0, 0.3)
        summary.append({"pile_id": pile_id, "station_id": station, "quantity": "exposure_level", "weighting": "none",
                        "band_hz": np.nan, "range_m": range_m, "energy_mean_db": level,
                        "standard_uncertainty_db": 0.8})  # fmt: skip
        whole = level + 10 * np.log10(count)
        exposure.append({"pile_id": pile_id, "station_id": station, "period": "pile", "weighting": "none",
                         "installation_method": method, "measured_db": whole, "completed_db": whole})  # fmt: skip
    fit = fit_campaign(strikes, invented.NO_BANDS, campaign)
    return ProjectResults(campaign, fit, pd.DataFrame(summary), pd.DataFrame(exposure))


def _relation(levels: list[float], **changes: bool) -> FoundationRelation:
    projects = [_project(f"project {i}", levels, 40 + i, **changes) for i in range(3)]
    return foundation_relation(foundation_levels(projects, 750.0))


@pytest.fixture(scope="module")
def usual() -> FoundationRelation:
    return _relation(USUAL)


def _ranking(relation: FoundationRelation, measure: str) -> Ranking:
    return next(r for r in relation.rankings if r.measure == measure)


def _order(ranking: Ranking) -> list[tuple[str, str]]:
    return [(group.foundation_type, group.installation_method) for group in ranking.groups]


def _true_order(values: list[float]) -> list[tuple[str, str]]:
    return [KINDS[i][:2] for i in np.argsort(-np.array(values), kind="stable")]


def test_levels_are_those_of_the_truth(usual: FoundationRelation) -> None:
    assert len(usual.levels) == 3 * len(KINDS)
    for row in usual.levels:
        kind = next(k for k in KINDS if k[:2] == (row.foundation_type, row.installation_method))
        assert row.exposure_level_db == pytest.approx(kind[4], abs=3.5)  # a project's own is 1 dB
        assert row.activity_exposure_db is not None
        assert row.exposure_level_db is not None
        assert row.activity_exposure_db - row.exposure_level_db == pytest.approx(10 * np.log10(kind[5]), abs=0.8)
        assert (row.n_piles, row.diameter_m, row.rated_energy_kj, row.duration_h) == (2, kind[2], kind[3], kind[6])
        assert row.basis == ("fit" if row.installation_method == "impact" else "summary")


def test_the_usual_order(usual: FoundationRelation) -> None:
    ranking = _ranking(usual, "exposure_level")
    assert _order(ranking) == _true_order(USUAL)
    start = "By exposure of one strike, or of one second of other work, without abatement, loudest first: "
    assert ranking.words.startswith(start + "monopile, impact")
    for group in ranking.groups:
        low, high = group.level_interval_95_db
        truth = next(k[4] for k in KINDS if k[:2] == (group.foundation_type, group.installation_method))
        assert low <= truth <= high


def test_the_reversed_order_is_reported_reversed(usual: FoundationRelation) -> None:
    relation = _relation(REVERSED)
    ranking = _ranking(relation, "exposure_level")
    assert _order(ranking) == _true_order(REVERSED)
    assert _order(ranking) == _order(_ranking(usual, "exposure_level"))[::-1]
    words = ranking.words
    assert words.index("suction bucket, suction") < words.index("jacket, impact") < words.index("monopile, impact")
    energy = next(a for a in relation.associations if a.property == "rated_energy_kj")
    assert "falls with rated energy" in energy.words


def test_exposure_over_the_installation_has_an_order_of_its_own(usual: FoundationRelation) -> None:
    """Seabed preparation is quiet and long: over the activity it passes the drilled pile."""
    whole = [kind[4] + 10 * np.log10(kind[5]) for kind in KINDS]
    ranking = _ranking(usual, "activity_exposure")
    assert _order(ranking) == _true_order(whole)
    assert _order(ranking) != _order(_ranking(usual, "exposure_level"))


def test_differences_name_what_else_differs(usual: FoundationRelation) -> None:
    first = _ranking(usual, "exposure_level").differences[0]
    assert (first.louder, first.quieter) == (("monopile", "impact"), ("tripile", "impact"))
    assert first.difference_db == pytest.approx(3.0, abs=1.0)
    assert first.interval_95_db[0] <= 3.0 <= first.interval_95_db[1]
    assert any("rated energy 1.6 times (10 lg of it: +2.0 dB)" in words for words in first.confounders)
    assert any(words.startswith("diameter 1.5 times") for words in first.confounders)
    other = next(d for d in _ranking(usual, "exposure_level").differences if d.quieter[1] == "vibratory")
    assert "method: impact against vibratory" in other.confounders
    assert "rated energy not known of both" in other.confounders


def test_associations_say_what_cannot_be_told_apart(usual: FoundationRelation) -> None:
    energy = next(a for a in usual.associations if a.property == "rated_energy_kj")
    assert energy.n == 9
    assert energy.slope_db_per_decade == pytest.approx(7.0 / np.log10(4000 / 1200), abs=2.5)
    assert energy.goes_with == ("diameter_m",)
    assert "rises with rated energy" in energy.words
    assert "Diameter changes with it, so their parts cannot be told apart" in energy.words


def test_what_is_not_known_is_not_compared() -> None:
    relation = _relation(USUAL, diameter=False)
    assert all(association.property != "diameter_m" for association in relation.associations)


def test_abatement_states_are_apart_and_one_kind_is_no_ranking() -> None:
    project = _project("p", USUAL, 3)
    piles = tuple(
        p.model_copy(update={"abatement": "curtain"}) if p.foundation_type == "jacket" else p
        for p in project.campaign.piles
    )
    changed = ProjectResults(
        project.campaign.model_copy(update={"piles": piles}), FitDocument(fits=()), project.summary, project.exposure
    )
    relation = foundation_relation(foundation_levels([changed], 750.0))
    assert {r.abatement for r in relation.rankings} == {"none"}
    assert {row.abatement for row in relation.levels} == {"none", "curtain"}
    assert all(row.basis == "summary" for row in relation.levels)  # without fits
