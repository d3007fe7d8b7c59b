"""One reference range, and all that forbids to pool, said at once."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.transfer.pooling import pooled_document
from reconcile.transfer.project_corrections import Source, at_reference, design_row, matrix, pooling_faults, vector
from reconcile.vocabulary.documents.correction import CorrectionDocument
from reconcile.vocabulary.documents.fit import Covariance, SmallSample
from reconcile.vocabulary.errors import InputError
from tests.transfer.invented_projects import correction, document

COVARIANCE = np.array([[0.8, -0.3], [-0.3, 2.0]])


def test_another_reference_range_changes_no_value_and_no_variance() -> None:
    before = correction(-4.0, 3.0, covariance=COVARIANCE)
    values = np.array([-4.0, 3.0, -0.2])
    full = np.array([[0.8, -0.3, 0.01], [-0.3, 2.0, -0.05], [0.01, -0.05, 0.02]])
    coefficients = before.coefficients.model_copy(
        update={"attenuation_db_per_km": before.coefficients.offset_db.model_copy(update={"value": -0.2})}
    )
    names = ("spreading_db_per_decade", "offset_db", "attenuation_db_per_km")  # names may stand in another order
    place = [1, 0, 2]
    rows = tuple(tuple(row) for row in full[np.ix_(place, place)].tolist())
    before = before.model_copy(
        update={"coefficients": coefficients, "covariance": Covariance(names=names, matrix=rows)}
    )
    after = at_reference(before, 2000.0)
    for range_m in (300.0, 750.0, 2000.0, 8000.0):
        old, new = design_row(range_m, 750.0), design_row(range_m, 2000.0)
        assert new @ vector(after) == pytest.approx(old @ values, abs=1e-12)
        assert new @ matrix(after) @ new == pytest.approx(old @ full @ old, rel=1e-12)
    assert after.coefficients.offset_db.value == pytest.approx(-4.0 + 3.0 * np.log10(2000 / 750) - 0.2 * 1.25)
    assert after.reference_range_m == 2000.0


def test_what_small_samples_need_moves_along() -> None:
    gradient = ((1.0, 0.2, 0.0), (0.2, 0.5, 0.0), (0.0, 0.0, 0.0))
    small = SmallSample(components=("pile",), gradients=(gradient,), covariance=((0.4,),))
    after = at_reference(correction(1.0, 2.0, covariance=COVARIANCE, small_sample=small), 1500.0).small_sample
    assert after is not None
    row, moved = design_row(4000.0, 750.0), design_row(4000.0, 1500.0)
    assert moved @ np.array(after.gradients[0]) @ moved == pytest.approx(row @ np.array(gradient) @ row)


def _faults(*sources: Source, model_id: str | None = None) -> str:
    return "\n".join(str(fault) for fault in pooling_faults(sources, model_id))


def test_every_reason_not_to_pool_is_said_at_once() -> None:
    a = Source("a.json", document("A", correction(1.0, 2.0, covariance=COVARIANCE)))
    again = Source("again.json", document(" a", correction(2.0, 1.0, covariance=COVARIANCE)))
    other = Source("other.json", document("C", correction(1.5, 2.0, covariance=COVARIANCE, model_id="M2")))
    broken = Source("broken.json", document("D", correction(1.0, 2.0, covariance=np.array([[1.0, 3.0], [3.0, 1.0]]))))
    with pytest.raises(InputError) as caught:
        pooled_document([a, again, other, broken])
    text = str(caught.value)
    assert "again.json, project: found the project ' a' again (also in a.json)" in text
    assert "other.json, model_id: found M2; needed: one prediction method in all files" in text
    assert "broken.json, corrections[0].covariance: found a matrix that is no covariance" in text


def test_nothing_in_common() -> None:
    a = Source("a.json", document("A", correction(1.0, foundation_type="monopile")))
    b = Source("b.json", document("B", correction(1.0, foundation_type="jacket")))
    assert "a.json, b.json: found no quantity, weighting, band, statistic" in _faults(a, b)
    assert _faults(a, Source("c.json", document("C", correction(3.0)))) == ""


def test_a_method_may_be_picked_where_there_are_several() -> None:
    both = [correction(1.0), correction(5.0, model_id="M2")]
    a = Source("a.json", document("A", *both))
    b = Source("b.json", document("B", *(c.model_copy(update={"n_piles": 3}) for c in both)))
    assert "--model picks one" in _faults(a, b)
    assert _faults(a, b, model_id="M2") == ""
    assert {c.model_id for c in pooled_document([a, b], "M2").corrections} == {"M2"}
    assert "no correction of this method; needed: M3" in _faults(a, b, model_id="M3")


def test_a_group_given_twice_and_a_pooled_correction_without_its_projects() -> None:
    twice = Source("twice.json", document("A", correction(1.0), correction(2.0)))
    nameless = Source("n.json", document("B", correction(1.5, n_projects=3, spread_between_projects_db=2.0)))
    text = _faults(twice, nameless)
    assert "2 corrections of A, method M1, for exposure_level" in text
    assert "a pooled correction that does not name its projects" in text


def test_a_correction_with_the_keys_of_its_description_alone_can_be_read() -> None:
    """Only the keys that the description of correction.json names; what this version adds may be absent."""
    full = correction(1.0).model_dump(mode="json")
    for name in ("statistic", "n_pairs", "prediction_ids", "small_sample", "pooled", "project"):
        full.pop(name)
    read = CorrectionDocument.model_validate({"format_version": 1, "project": "A", "corrections": [full]})
    assert read.corrections[0].statistic is None
