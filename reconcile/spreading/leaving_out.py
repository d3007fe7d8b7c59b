"""What a fit foretells of stations and piles left out, and what leaving one place out does to it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from reconcile.inference import left_out_errors, left_out_rows, root_mean_square
from reconcile.spreading.cell_fits import CellFit
from reconcile.spreading.cells import Cells
from reconcile.vocabulary.quantities import FloatArray

_NORMAL_95 = 1.959963984540054  # quantile of the normal distribution


@dataclass(frozen=True, slots=True)
class WithoutPlace:
    """Change of the coefficients where a place is left out, the variances held.

    `decides`: the curve without it leaves the 95 % interval of the curve with it at the range of some cell.
    """

    place: str
    change: FloatArray
    decides: bool


def foretold_db(fitted: CellFit, cells: Cells) -> tuple[float | None, float | None]:
    """Root mean square errors with which stations (or rows) and piles left out in turn are predicted."""
    used, design = fitted.used, fitted.design
    if fitted.V is None:
        rows = left_out_rows(fitted.response - design @ fitted.linear.coefficients, design)
        return root_mean_square(rows), None
    found: list[float | None] = []
    for labels in (cells.place, cells.pile):
        chosen = np.arange(cells.n)[used] if labels is None else labels[used]
        errors = left_out_errors(fitted.response, design, fitted.V, chosen.tolist(), cells.heard[used])
        found.append(root_mean_square(errors))
    return found[0], found[1]


def without_places(fitted: CellFit, cells: Cells) -> Iterator[WithoutPlace]:
    """Each place left out in turn; those without which the coefficients cannot be told are passed over."""
    if fitted.V is None or cells.place is None:
        return
    places, linear, design = cells.place[fitted.used].astype(str), fitted.linear, fitted.design
    spread = np.einsum("mi,ij,mj->m", design, linear.covariance, design)
    for place in np.unique(places):
        rest = places != place
        if np.linalg.matrix_rank(design[rest]) < design.shape[1]:
            continue
        inverse = np.linalg.inv(fitted.V[np.ix_(rest, rest)])
        weighted = inverse @ design[rest]
        without = np.linalg.solve(design[rest].T @ weighted, weighted.T @ fitted.response[rest])
        change = without - linear.coefficients
        decides = bool(np.any((design @ change) ** 2 > _NORMAL_95**2 * spread))
        yield WithoutPlace(str(place), change, decides)
