"""The chosen fits of a table of levels, in lines for the terminal."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.vocabulary.documents.fit import Fit, FitDocument
from reconcile.vocabulary.tables.flags import FLAGS


def fit_lines(document: FitDocument) -> Iterator[str]:
    """Each chosen fit with its numbers and, in words, what its flags say; then what was not fitted, and why."""
    for fit in document.fits:
        if fit.selected:
            yield _numbers(fit)
            yield from (f"  {name}: {FLAGS[name].meaning}" for name in fit.flags if _tells(fit, name))
    for missing in document.not_fitted:
        yield f"{missing.quantity or 'level'}: not fitted: {missing.reason}"


def _tells(fit: Fit, flag: str) -> bool:
    """Whether a flag says anything here: of a table without energies no coefficient of them is used."""
    return flag != "energy_coefficient_assumed" or fit.reference_energy_kj is not None


def _numbers(fit: Fit) -> str:
    c = fit.coefficients
    level = f"{c.level_at_reference_db.value:.2f} dB at {fit.reference_range_m:g} m"
    n = c.spreading_coefficient_db_per_decade.value
    alpha = f"alpha = {c.attenuation_db_per_km.value:.3f} dB/km"
    head = f"{fit.quantity or 'level'}: {fit.model}, {level}, N = {n:.2f} dB per decade"
    if c.transition_log10_range is None or c.further_spreading_db_per_decade is None:
        return f"{head}, {alpha}"
    transition_m = 10.0**c.transition_log10_range.value
    beyond = n + c.further_spreading_db_per_decade.value
    return f"{head} up to {transition_m:.0f} m and {beyond:.2f} dB per decade beyond, {alpha}"
