"""How intervals came about: by a bootstrap where limits meet few piles or places, and said in every other case."""

from __future__ import annotations

import numpy as np
import pytest

from reconcile.spreading import fit_campaign
from reconcile.spreading.curves import half_widths
from reconcile.vocabulary.documents.fit import Fit
from reconcile.vocabulary.quantities import FloatArray
from tests.spreading import level_campaigns as invented
from tests.spreading import simulated_campaigns as sim


def _fit(limits: bool) -> Fit:
    campaign = sim.simulate(41, 0.3)
    strikes = campaign.strikes if limits else campaign.strikes.assign(exposure_censoring="none")
    document = fit_campaign(strikes, invented.NO_BANDS, campaign.campaign, sim.REFERENCE_M)
    return next(fit for fit in document.fits if fit.selected)


def test_limits_and_few_groups_have_a_bootstrap_that_only_widens() -> None:
    fit = _fit(limits=True)
    basis = fit.intervals_by
    assert basis is not None
    assert basis.method == "bootstrap"
    assert basis.n_replicates >= 160
    assert min(basis.factors) >= 1.0
    assert max(basis.factors) < 1.6
    plain = fit.model_copy(update={"intervals_by": None})
    for k, range_m in enumerate(basis.range_m):
        widened, _ = half_widths(fit, _one(range_m))
        assert float(widened[0]) == pytest.approx(float(half_widths(plain, _one(range_m))[0][0]) * basis.factors[k])


def test_it_is_the_same_each_time() -> None:
    assert _fit(limits=True) == _fit(limits=True)


def test_without_limits_the_theory_serves_and_it_is_said() -> None:
    basis = _fit(limits=False).intervals_by
    assert basis is not None
    assert basis.method == "satterthwaite"
    assert basis.reason.startswith("no limits")


def _one(range_m: float) -> FloatArray:
    return np.array([range_m])
