"""Components of uncertainty against the GUM's own examples.

JCGM 100:2008, H.1 (end gauge) and G.4; values and standing as in uncertainty_examples.csv: combined uncertainty of H.1
read in the document, the others from memory (memory-high).
"""

from __future__ import annotations

import math

import pytest

from reconcile.vocabulary.uncertainty import (
    Component,
    Tier,
    combined,
    coverage_factor,
    effective_degrees_of_freedom,
)


def parts(values: list[float], freedoms: list[float]) -> list[Component]:
    return [Component(str(i), Tier.SYSTEM, u, "", nu) for i, (u, nu) in enumerate(zip(values, freedoms, strict=True))]


def test_end_gauge() -> None:
    gauge = parts([25.0, 9.7, 2.9, 16.6], [18.0, 25.6, 50.0, 2.0])  # nm
    assert combined(gauge) == pytest.approx(31.6711, abs=5e-5)  # printed 32
    assert effective_degrees_of_freedom(gauge) == pytest.approx(16.76, abs=0.005)  # printed 16, from unrounded inputs
    assert coverage_factor(16, 0.99) == pytest.approx(2.92, abs=0.005)
    assert 32 * coverage_factor(16, 0.99) == pytest.approx(93, abs=0.5)


def test_example_of_g_4() -> None:
    three = parts([0.25, 0.57, 0.82], [9.0, 4.0, 14.0])  # %, from n = 10, 5 and 15
    assert combined(three) == pytest.approx(1.03, abs=0.005)
    assert effective_degrees_of_freedom(three) == pytest.approx(19.0, abs=0.05)
    assert coverage_factor(19.0) == pytest.approx(2.09, abs=0.005)
    assert combined(three) * coverage_factor(19.0) == pytest.approx(2.2, abs=0.05)


def test_what_is_not_counted_does_not_count() -> None:
    known = Component("a", Tier.CAMPAIGN, 0.3, "")
    listed = Component("b", Tier.STRIKE, 5.0, "", counted=False)
    assert combined([known, listed]) == pytest.approx(0.3)
    assert math.isinf(effective_degrees_of_freedom([known, listed]))
    assert coverage_factor(math.inf) == pytest.approx(1.95996, abs=1e-5)  # normal distribution
