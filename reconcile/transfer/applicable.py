"""Which correction, if any, a predicted row takes, and whether the row lies within its scope."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from reconcile.spreading.strike_levels import plain_abatement
from reconcile.vocabulary.documents.correction import Correction
from reconcile.vocabulary.documents.correction_parts import Extent

_TOLERANCE = 1e-9  # of a ratio: a range as stated equals itself
_CUMULATIVE = "cumulative_exposure_level"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a predicted row is of; None is not stated."""

    model_id: str
    quantity: str
    weighting: str
    band_hz: float | None
    statistic: str | None
    foundation_type: str | None
    installation_method: str | None
    abatement: str | None


@dataclass(frozen=True, slots=True)
class Choice:
    """The correction of a row, or None, with flags that say why or what is to be borne in mind."""

    correction: Correction | None
    flags: tuple[str, ...]


def choose(wanted: Wanted, corrections: Sequence[Correction]) -> Choice:
    """The one correction for a row. What the row does not state is not held against it, but flagged.

    Where several corrections would do, none is taken (`group_ambiguous`). A cumulative exposure level without a
    correction of its own takes that of the exposure level, whose sum it is.
    """
    found = _matching(wanted, wanted.quantity, corrections)
    flags: list[str] = []
    if not found and wanted.quantity == _CUMULATIVE:
        found = _matching(wanted, "exposure_level", corrections)
        flags = ["exposure_correction_used"] if found else []
    if len(found) != 1:
        reason = ["group_ambiguous"] if found else []
        return Choice(None, ("no_correction", *reason))
    chosen = found[0]
    stated = {
        "abatement_not_stated": wanted.abatement is None,
        "group_not_stated": wanted.foundation_type is None or wanted.installation_method is None,
        "statistic_not_stated": wanted.statistic is None and wanted.quantity != _CUMULATIVE,
        "one_project": chosen.n_projects == 1,
    }
    return Choice(chosen, (*flags, *(name for name, true in stated.items() if true)))


def _matching(wanted: Wanted, quantity: str, corrections: Iterable[Correction]) -> list[Correction]:
    statistic = wanted.statistic if quantity == wanted.quantity else "energy_mean"
    found = [
        c
        for c in corrections
        if (c.model_id, c.quantity, c.weighting, c.band_hz)
        == (wanted.model_id, quantity, wanted.weighting, wanted.band_hz)
        and wanted.foundation_type in (None, c.foundation_type)
        and wanted.installation_method in (None, c.installation_method)
        and (wanted.abatement is None or plain_abatement(wanted.abatement) == plain_abatement(c.abatement))
    ]
    if quantity != wanted.quantity:  # whichever statistic there is; that of the energy, where there are several
        return [c for c in found if c.statistic == statistic] or found
    return [c for c in found if statistic is None or c.statistic in (None, statistic)]


def outside(
    correction: Correction,
    range_m: float,
    energy_kj: float | None,
    diameter_m: float | None = None,
    water_depth_m: float | None = None,
) -> tuple[str, ...]:
    """In what a row lies outside the scope: range_m, energy_kj, diameter_m, water_depth_m.

    What the row does not state, or the scope does not know, cannot be held against it.
    """
    scope = correction.scope
    stated = {
        "range_m": (range_m, scope.range_m),
        "energy_kj": (energy_kj, scope.energy_kj),
        "diameter_m": (diameter_m, scope.diameter_m),
        "water_depth_m": (water_depth_m, scope.water_depth_m),
    }
    return tuple(name for name, (value, extent) in stated.items() if value is not None and not _holds(extent, value))


def between_scopes(correction: Correction, range_m: float) -> bool:
    """Whether the pooled scope reaches over a range that no single project measured."""
    if correction.pooled is None or not _holds(correction.scope.range_m, range_m):
        return False
    return not any(_holds(part.scope.range_m, range_m) for part in correction.pooled.contributions)


def _holds(extent: Extent, value: float) -> bool:
    low, high = extent
    above = low is None or value >= low * (1.0 - _TOLERANCE)
    return above and (high is None or value <= high * (1.0 + _TOLERANCE))
