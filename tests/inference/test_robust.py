"""Student's t residual against its likelihood written out, and with rows far off."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import t as student_t

from reconcile.inference import fit_linear, structure
from reconcile.inference.mixed import RESIDUAL, Structure
from reconcile.inference.robust import fit_student

N = 80
X = np.column_stack([np.ones(N), np.linspace(0.0, 1.0, N)])


def test_independent_rows_by_the_likelihood_written_out() -> None:
    random = np.random.default_rng(3)
    y = X @ [5.0, -2.0] + 0.5 * random.standard_t(4, N)
    alone = Structure((RESIDUAL,), (np.eye(N),), (np.eye(N),), (None,), np.zeros((N, N)))
    found = fit_student(y, X, alone, np.zeros(N), restricted=False)

    def minus_log_likelihood(theta: np.ndarray) -> float:
        return -float(student_t.logpdf(y, 4, X @ theta[:2], np.exp(theta[2])).sum())

    slow = minimize(
        minus_log_likelihood, [5.0, -2.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10}
    )
    np.testing.assert_allclose(found.coefficients, slow.x[:2], atol=2e-3)
    assert np.sqrt(found.variance(RESIDUAL)) == pytest.approx(np.exp(slow.x[2]), rel=0.02)


def test_rows_far_off_hardly_move_it() -> None:
    random = np.random.default_rng(7)
    group = np.arange(N) % 10
    y = X @ [5.0, -2.0] + random.normal(0.0, 1.0, 10)[group] + random.normal(0.0, 0.3, N)
    layout = structure({"group": group.tolist()}, np.zeros((N, N)))
    clean = fit_linear(y, X, layout)
    spoilt = y.copy()
    spoilt[-6:] += 8.0
    plain, robust = fit_linear(spoilt, X, layout), fit_student(spoilt, X, layout, np.zeros(N))
    assert abs(plain.coefficients[1] - clean.coefficients[1]) > 1.0
    assert abs(robust.coefficients[1] - clean.coefficients[1]) < 0.25
    assert robust.variance(RESIDUAL) < 0.2 < plain.variance(RESIDUAL)
