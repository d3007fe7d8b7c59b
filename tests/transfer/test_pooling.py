"""Pooled corrections: closed forms, groups apart, contributions, re-pooling, validation in words."""

from __future__ import annotations

import math

import numpy as np
import pytest

from reconcile.transfer.pooling import pooled_document
from reconcile.transfer.project_corrections import Source
from reconcile.transfer.spread_prior import ENOUGH_PROJECTS, SPREAD_BETWEEN_PROJECTS
from reconcile.vocabulary.documents.correction import Correction, CorrectionDocument, Scope
from tests.transfer.invented_projects import correction, document

OFFSETS = [-1.0, -6.0, -4.5, -3.0, -8.0, 0.5, -2.0, -5.0, -7.0]


def _sources(entries: list[list[Correction]]) -> list[Source]:
    return [Source(f"{i}.json", document(f"P{i}", *own)) for i, own in enumerate(entries)]


def _offsets(values: list[float], variance: float = 0.5, **changes: object) -> CorrectionDocument:
    return pooled_document(_sources([[correction(v, offset_variance=variance, **changes)] for v in values]))


def test_equal_precisions_pool_to_the_mean() -> None:
    (entry,) = _offsets(OFFSETS).corrections
    assert entry.coefficients.offset_db.value == pytest.approx(np.mean(OFFSETS))
    assert entry.spread_between_projects_db == pytest.approx(math.sqrt(np.var(OFFSETS, ddof=1) - 0.5), rel=1e-6)
    assert entry.coefficients.offset_db.standard_error == pytest.approx(np.std(OFFSETS, ddof=1) / 3.0, rel=1e-6)
    assert (entry.n_projects, entry.n_piles) == (9, 36)
    assert entry.pooled is not None
    assert entry.pooled.prior is None
    assert "few_projects" not in entry.flags
    assert [part.project for part in entry.pooled.contributions] == [f"P{i}" for i in range(9)]
    assert sum(part.weight_percent for part in entry.pooled.contributions) == pytest.approx(100.0)
    without = entry.pooled.leave_one_out[4]
    assert (without.project, without.offset_db) == ("P4", pytest.approx(np.mean(OFFSETS[:4] + OFFSETS[5:])))


def test_below_eight_projects_the_prior_is_used_and_said() -> None:
    for n in (2, ENOUGH_PROJECTS - 1):
        (entry,) = _offsets(OFFSETS[:n]).corrections
        assert entry.pooled is not None
        assert entry.pooled.prior is not None
        assert entry.pooled.prior.offset_db == SPREAD_BETWEEN_PROJECTS.standard_deviations[0]
        assert "few_projects" in entry.flags
    (entry,) = _offsets([-3.0, -3.0, -3.0]).corrections  # agreement of three is no proof of no spread
    assert entry.spread_between_projects_db is not None
    assert 0.5 < entry.spread_between_projects_db < 1.5


def test_groups_are_never_mixed() -> None:
    kinds: list[dict[str, object]] = [
        {},
        {"foundation_type": "jacket"},
        {"installation_method": "vibratory"},
        {"abatement": "double bubble curtain"},
        {"quantity": "peak_level"},
        {"weighting": "nmfs-2024:LF"},
        {"band_hz": 125.0},
        {"statistic": "mean"},
    ]
    entries = [[correction(i + 10.0 * k, **kind) for k, kind in enumerate(kinds)] for i in range(3)]
    pooled = pooled_document(_sources(entries)).corrections
    assert [entry.coefficients.offset_db.value for entry in pooled] == pytest.approx([1 + 10.0 * k for k in range(8)])


def test_abatement_is_compared_without_case_and_outer_spaces() -> None:
    entries = [[correction(1.0, abatement="Bubble curtain")], [correction(2.0, abatement=" bubble curtain ")]]
    assert pooled_document(_sources(entries)).corrections[0].n_projects == 2


def test_a_group_of_one_project_stays_as_it_was() -> None:
    only = correction(7.0, foundation_type="tripod")
    document = pooled_document(_sources([[correction(1.0), only], [correction(2.0)]]))
    kept = next(entry for entry in document.corrections if entry.foundation_type == "tripod")
    assert kept.coefficients == only.coefficients
    assert (kept.n_projects, kept.spread_between_projects_db, kept.project) == (1, None, "P0")
    assert "single_project" in kept.flags


def test_all_are_brought_to_the_reference_range_of_most() -> None:
    covariance = np.array([[0.5, 0.1], [0.1, 0.8]])
    entries = [
        [correction(-2.0, 3.0, covariance=covariance)],
        [correction(-2.0 + 3.0 * math.log10(1500 / 750), 3.0, covariance=covariance, reference_range_m=1500.0)],
        [correction(-2.0, 3.0, covariance=covariance, n_piles=5)],
    ]
    (entry,) = pooled_document(_sources(entries)).corrections
    assert entry.reference_range_m == 750.0
    assert entry.coefficients.offset_db.value == pytest.approx(-2.0)


def test_offset_and_slope_are_one_model_from_four_slopes_on() -> None:
    covariance = np.array([[0.5, 0.3], [0.3, 0.9]])
    with_slope = [[correction(v, 0.5 * v + 1, covariance=covariance)] for v in OFFSETS[:5]]
    (together,) = pooled_document(_sources(with_slope)).corrections
    assert together.pooled is not None
    assert together.pooled.model == "multivariate"
    assert together.pooled.between_projects.matrix[0][1] > 0  # offsets and slopes rise together
    assert together.covariance.matrix[0][1] > 0
    mixed = with_slope[:2] + [[correction(v)] for v in OFFSETS[2:5]]
    (apart,) = pooled_document(_sources(mixed)).corrections
    assert apart.pooled is not None
    assert apart.pooled.model == "univariate"
    assert {"trend_of_some_projects"} <= set(apart.flags)
    assert apart.coefficients.spreading_db_per_decade.value == pytest.approx(
        np.mean([0.5 * v + 1 for v in OFFSETS[:2]])
    )
    (none,) = _offsets(OFFSETS[:3]).corrections
    assert "trend_not_estimated" in none.flags
    assert none.coefficients.spreading_db_per_decade.standard_error == 0.0


def test_the_scope_is_the_hull_and_says_what_each_project_covers() -> None:
    def scope(low: float, high: float, energy: float | None) -> Scope:
        return Scope(range_m=(low, high), energy_kj=(energy, energy), diameter_m=(8.0, 8.5), water_depth_m=(None, None))

    scopes = [scope(400.0, 900.0, None), scope(3000.0, 6000.0, 1200.0)]
    (entry,) = pooled_document(_sources([[correction(1.0 * i, scope=s)] for i, s in enumerate(scopes)])).corrections
    assert entry.scope.range_m == (400.0, 6000.0)
    assert entry.scope.energy_kj == (1200.0, 1200.0)
    assert entry.scope.water_depth_m == (None, None)
    assert entry.pooled is not None
    assert [part.scope for part in entry.pooled.contributions] == scopes


def test_a_pooled_file_pools_further_as_its_projects_would() -> None:
    covariance = np.array([[0.5, 0.1], [0.1, 0.8]])
    entries = [[correction(v, v / 2, covariance=covariance)] for v in OFFSETS[:5]]
    at_once = pooled_document(_sources(entries))
    first = pooled_document(_sources(entries[:3]))
    again = CorrectionDocument.model_validate_json(first.model_dump_json())
    rest = [Source(f"{i}.json", document(f"P{i}", *entries[i])) for i in (3, 4)]
    later = pooled_document([Source("first.json", again), *rest])
    assert later.projects == at_once.projects
    assert later.corrections[0].coefficients.offset_db.value == pytest.approx(
        at_once.corrections[0].coefficients.offset_db.value
    )
    assert later.corrections[0].spread_between_projects_db == pytest.approx(
        at_once.corrections[0].spread_between_projects_db
    )


@pytest.mark.parametrize(
    ("offsets", "finding", "words"),
    [
        ([-6.0, -5.5, -6.5, -5.8, -6.1], "better", "Corrected predictions are better"),
        ([4.0, -1.0, 3.0, -2.0, 1.5], "not_shown", "not shown to be better"),
        ([-4.0, -4.1], "not_shown", "fewer than three projects allow no conclusion"),
        ([3.0, 3.0, -3.0, -3.0, 3.0, -3.0], "worse", "Corrected predictions are worse"),
    ],
    ids=["shared", "own", "two", "cancelling"],
)
def test_validation_says_in_words_whether_correcting_helps(offsets: list[float], finding: str, words: str) -> None:
    (entry,) = _offsets(offsets).corrections
    assert entry.pooled is not None
    found = entry.pooled.validation
    assert found is not None
    assert found.finding == finding
    assert words in found.words
    assert found.uncorrected_db == pytest.approx(np.mean(np.abs(offsets)))
    others = [np.mean(offsets[:i] + offsets[i + 1 :]) for i in range(len(offsets))]  # equal precisions: plain means
    assert found.corrected_db == pytest.approx(np.mean(np.abs(np.array(offsets) - others)), rel=1e-6)
