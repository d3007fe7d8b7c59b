"""What each project measured of each kind of foundation, brought to one reference range."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reconcile.campaign.activity_periods import states
from reconcile.spreading import intervals, level_curve
from reconcile.spreading.strike_levels import abatement_names
from reconcile.vocabulary.documents.campaign import Campaign, Pile
from reconcile.vocabulary.documents.fit import Fit, FitDocument
from reconcile.vocabulary.documents.foundations import FoundationLevels
from reconcile.vocabulary.quantities import FloatArray, energy_mean_db

Group = tuple[str, str, str]  # installation method, foundation type, abatement

ASSUMED_SLOPE_DB = 15.0  # dB per decade where a project's stations show none: common practice, no source
_SLOPE_RANGES, _SLOPE_FACTOR = 3, 2.0  # distinct ranges, and the factor they must span, for a slope of their own
_NORMAL_95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class ProjectResults:
    """What a results folder holds of the sound that was measured."""

    campaign: Campaign
    fit: FitDocument
    summary: pd.DataFrame
    exposure: pd.DataFrame


@dataclass(frozen=True, slots=True)
class _Curve:
    """Level against range of one group: value and standard error at the reference, and how it falls."""

    level_db: float
    standard_error_db: float
    fall: Callable[[float], float]  # level at a range less level at the reference
    basis: str


def foundation_levels(projects: Sequence[ProjectResults], reference_range_m: float) -> tuple[FoundationLevels, ...]:
    """A row for each project and group of its piles, abatement states apart; nothing is mixed."""
    return tuple(row for project in projects for row in _rows(project, reference_range_m))


def _rows(project: ProjectResults, reference_range_m: float) -> Iterator[FoundationLevels]:
    names = abatement_names(project.campaign)
    groups: dict[Group, list[Pile]] = {}
    for pile in (state for listed in project.campaign.piles for state in states(project.campaign, listed)):
        group: Group = (pile.installation_method, pile.foundation_type, names[pile.abatement])
        groups.setdefault(group, []).append(pile)
    for group, piles in groups.items():
        yield _row(project, group, piles, reference_range_m)


def _row(project: ProjectResults, group: Group, piles: Sequence[Pile], reference_range_m: float) -> FoundationLevels:
    exposure = _curve(project, "exposure_level", group, piles, reference_range_m)
    peak = _curve(project, "peak_level", group, piles, reference_range_m)
    whole, whole_error = _activity(project, piles, exposure)
    fit = project.fit.selected("exposure_level", "none", None, *group)
    depths = [project.campaign.water_depth_m if p.water_depth_m is None else p.water_depth_m for p in piles]
    method, foundation, abatement = group
    return FoundationLevels(
        project=project.campaign.name,
        foundation_type=foundation,
        installation_method=method,
        abatement=abatement,
        reference_range_m=reference_range_m,
        n_piles=len(piles),
        diameter_m=_median([p.diameter_m for p in piles]),
        rated_energy_kj=_median([p.rated_energy_kj for p in piles]),
        strike_energy_kj=fit.reference_energy_kj if fit else None,
        water_depth_m=_median(depths),
        duration_h=_median([(p.end_utc - p.start_utc).total_seconds() / 3600.0 for p in piles]),
        exposure_level_db=exposure.level_db if exposure else None,
        exposure_standard_error_db=exposure.standard_error_db if exposure else None,
        peak_level_db=peak.level_db if peak else None,
        peak_standard_error_db=peak.standard_error_db if peak else None,
        activity_exposure_db=whole,
        activity_standard_error_db=whole_error,
        basis=exposure.basis if exposure else "none",
    )


def _curve(
    project: ProjectResults, quantity: str, group: Group, piles: Sequence[Pile], reference_range_m: float
) -> _Curve | None:
    """By the selected fit; where there is none (work that is not impact) by the summary's levels."""
    fit = project.fit.selected(quantity, "none", None, *group)
    if fit is not None:
        return _of_fit(fit, reference_range_m)
    rows = project.summary
    ids = [pile.pile_id for pile in piles]
    own = rows[(rows["quantity"] == quantity) & (rows["weighting"] == "none") & rows["band_hz"].isna()]
    own = own[own["pile_id"].isin(ids) & own["range_m"].notna() & own["energy_mean_db"].notna()]
    if "abatement" in own:
        names = abatement_names(project.campaign)
        own = own[(own["installation_method"] == group[0]) & (own["abatement"].map(names) == group[2])]
    if own.empty:
        return None
    return _of_summary(own, project.campaign.common_uncertainty_db, reference_range_m)


def _of_fit(fit: Fit, reference_range_m: float) -> _Curve:
    here = intervals(fit, reference_range_m)
    level = float(here.level_db[0])
    error = float(here.confidence_high_db[0] - level) / _NORMAL_95
    return _Curve(level, error, lambda range_m: float(level_curve(fit, range_m)) - float(
        level_curve(fit, reference_range_m)), "fit")  # fmt: skip


def _of_summary(rows: pd.DataFrame, common_uncertainty_db: float, reference_range_m: float) -> _Curve:
    """Least squares of level on log range; with too few ranges the slope is assumed."""
    level = rows["energy_mean_db"].to_numpy(np.float64)
    ranges = rows["range_m"].to_numpy(np.float64)
    x = np.log10(ranges / reference_range_m)
    enough = np.unique(np.round(ranges)).size >= _SLOPE_RANGES and ranges.max() >= _SLOPE_FACTOR * ranges.min()
    slope = float(np.polyfit(x, level, 1)[0]) if enough else -ASSUMED_SLOPE_DB
    at_reference = level - slope * x
    stated = float(np.sqrt(np.mean(rows["standard_uncertainty_db"].to_numpy(np.float64) ** 2)))
    scatter = float(at_reference.std(ddof=1)) / np.sqrt(level.size) if level.size > 1 else stated
    error = float(np.sqrt(scatter**2 + stated**2 / rows["station_id"].nunique() + common_uncertainty_db**2))
    basis = "summary" if enough else "assumed_slope"
    return _Curve(
        float(at_reference.mean()), error, lambda range_m: slope * float(np.log10(range_m / reference_range_m)), basis
    )


def _activity(
    project: ProjectResults, piles: Sequence[Pile], curve: _Curve | None
) -> tuple[float | None, float | None]:
    """Cumulative exposure of an installation at the reference range: mean over piles of the mean over stations."""
    rows = project.exposure
    if curve is None or rows.empty:
        return None, None
    rows = rows[(rows["period"] == "pile") & (rows["weighting"] == "none")]
    of_piles = []
    for pile in piles:
        listed = states(project.campaign, project.campaign.pile(pile.pile_id))
        if sum(state.installation_method == pile.installation_method for state in listed) > 1:
            continue  # its sum is over several abatement states
        found = rows[(rows["pile_id"] == pile.pile_id) & (rows["installation_method"] == pile.installation_method)]
        levels = _at_reference(project.campaign, pile, found, curve)
        if levels.size:
            of_piles.append(energy_mean_db(levels))
    if not of_piles:
        return None, None
    spread = float(np.std(of_piles, ddof=1)) / np.sqrt(len(of_piles)) if len(of_piles) > 1 else 0.0
    return float(np.mean(of_piles)), float(np.hypot(spread, curve.standard_error_db))


def _at_reference(campaign: Campaign, pile: Pile, rows: pd.DataFrame, curve: _Curve) -> FloatArray:
    levels = []
    for record in rows.to_dict("records"):
        range_m = campaign.range_m(pile.pile_id, str(record["station_id"]))
        level = record["completed_db"] if pd.notna(record["completed_db"]) else record["measured_db"]
        if range_m is not None and pd.notna(level):
            levels.append(float(level) - curve.fall(range_m))
    return np.array(levels)


def _median(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(np.median(known)) if known else None
