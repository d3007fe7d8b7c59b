"""Which foundation is the louder, as measured over the projects, and what else differs between them.

Nothing is expected here: the order is that of the levels. A difference between two kinds of foundation is an
association, since energy, diameter, depth and duration differ between them as well; these are named beside it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

import numpy as np

from reconcile.inference import Estimate, Prior, fit_linear, ordinary_least_squares
from reconcile.inference.mixed import LinearFit, structure
from reconcile.vocabulary.documents.foundations import (
    Association,
    FoundationLevels,
    FoundationRelation,
    GroupDifference,
    RankedGroup,
    Ranking,
)
from reconcile.vocabulary.quantities import FloatArray

MEASURES = {
    "exposure_level": "exposure of one strike, or of one second of other work",
    "peak_level": "zero-to-peak level",
    "activity_exposure": "exposure over the whole installation",
}
PROPERTIES = {"rated_energy_kj": "rated energy", "diameter_m": "diameter", "water_depth_m": "water depth"}
# Between projects levels of like foundations differ by hammer, soil and size; worth two projects, no source.
_SPREAD = Prior(standard_deviation=2.0, worth=2.0)
_NOTABLE_RATIO = 1.25  # of medians: what is named as differing
_TOGETHER = 0.7  # correlation of logarithms from which two properties go together
_FEWEST = 4  # rows for a slope
_LEAST_ERROR_DB = 0.3

_Kind = tuple[str, str]


def foundation_relation(levels: Sequence[FoundationLevels]) -> FoundationRelation:
    """Rankings by each measure and abatement state, and associations of impact piling with energy, diameter, depth."""
    states = tuple(dict.fromkeys(row.abatement for row in levels))
    rankings = [found for state in states for m in MEASURES if (found := _ranking(levels, m, state)) is not None]
    associations = [found for state in states for found in _associations(levels, state)]
    return FoundationRelation(levels=tuple(levels), rankings=tuple(rankings), associations=tuple(associations))


def value_of(row: FoundationLevels, measure: str) -> tuple[float | None, float]:
    """A row's level by a measure, with its standard error."""
    value = {
        "exposure_level": row.exposure_level_db,
        "peak_level": row.peak_level_db,
        "activity_exposure": row.activity_exposure_db,
    }[measure]
    error = {
        "exposure_level": row.exposure_standard_error_db,
        "peak_level": row.peak_standard_error_db,
        "activity_exposure": row.activity_standard_error_db,
    }[measure]
    return value, max(error or 0.0, _LEAST_ERROR_DB)


def _ranking(levels: Sequence[FoundationLevels], measure: str, abatement: str) -> Ranking | None:
    """Groups from loud to quiet; None where fewer than two were measured."""
    rows = [r for r in levels if r.abatement == abatement and value_of(r, measure)[0] is not None]
    kinds = list(dict.fromkeys(_kind(row) for row in rows))
    if len(kinds) < 2:
        return None
    fit = _group_means(rows, kinds, measure)
    place = np.argsort(-fit.coefficients, kind="stable")
    groups = tuple(_ranked(kinds[i], rows, fit.contrast(np.eye(len(kinds))[i])) for i in place)
    differences = tuple(
        _difference(kinds[a], kinds[b], rows, fit.contrast(np.eye(len(kinds))[a] - np.eye(len(kinds))[b]))
        for a, b in itertools.pairwise(place)
    )
    words = _ranking_words(measure, abatement, groups, differences)
    return Ranking(measure=measure, abatement=abatement, groups=groups, differences=differences, words=words)


def _kind(row: FoundationLevels) -> _Kind:
    return row.foundation_type, row.installation_method


def _group_means(rows: Sequence[FoundationLevels], kinds: Sequence[_Kind], measure: str) -> LinearFit:
    """Means of the groups, projects and rows random (REML): what a project shares cancels in differences."""
    found = [value_of(row, measure) for row in rows]
    y = np.array([value for value, _ in found], dtype=np.float64)
    X = np.array([[float(_kind(row) == kind) for kind in kinds] for row in rows])
    known = np.diag([error**2 for _, error in found])
    labels: dict[str, Sequence[object]] = {"project": [row.project for row in rows], "row": list(range(len(rows)))}
    return fit_linear(y, X, structure(labels, known, dict.fromkeys(labels, _SPREAD)))


def _ranked(kind: _Kind, rows: Sequence[FoundationLevels], estimate: Estimate) -> RankedGroup:
    own = [row for row in rows if _kind(row) == kind]
    return RankedGroup(
        foundation_type=kind[0],
        installation_method=kind[1],
        n_projects=len({row.project for row in own}),
        n_piles=sum(row.n_piles for row in own),
        level_db=estimate.value,
        level_interval_95_db=estimate.interval(),
        diameter_m=_median(own, "diameter_m"),
        rated_energy_kj=_median(own, "rated_energy_kj"),
        water_depth_m=_median(own, "water_depth_m"),
        duration_h=_median(own, "duration_h"),
    )


def _difference(louder: _Kind, quieter: _Kind, rows: Sequence[FoundationLevels], estimate: Estimate) -> GroupDifference:
    low, high = estimate.interval()
    return GroupDifference(
        louder=louder,
        quieter=quieter,
        difference_db=estimate.value,
        interval_95_db=(low, high),
        distinguished=low > 0,
        confounders=tuple(_confounders(louder, quieter, rows)),
    )


def _confounders(louder: _Kind, quieter: _Kind, rows: Sequence[FoundationLevels]) -> Iterator[str]:
    """What else differs between two groups: ratios of medians, or that it is not known."""
    for name, words in {**PROPERTIES, "duration_h": "duration"}.items():
        a, b = (_median([row for row in rows if _kind(row) == kind], name) for kind in (louder, quieter))
        if a is None or b is None or a <= 0 or b <= 0:
            yield f"{words} not known of both"
        elif not 1.0 / _NOTABLE_RATIO <= a / b <= _NOTABLE_RATIO:
            energy = f" (10 lg of it: {10.0 * math.log10(a / b):+.1f} dB)" if name == "rated_energy_kj" else ""
            yield f"{words} {a / b:.2g} times{energy}"
    if louder[1] != quieter[1]:
        yield f"method: {louder[1]} against {quieter[1]}"


def _ranking_words(
    measure: str, abatement: str, groups: Sequence[RankedGroup], differences: Sequence[GroupDifference]
) -> str:
    order = "; ".join(
        f"{_spoken((group.foundation_type, group.installation_method))} ({group.level_db:.1f} dB)" for group in groups
    )
    unsure = [d for d in differences if not d.distinguished]
    state = "without abatement" if abatement == "none" else f"with {abatement}"
    text = f"By {MEASURES[measure]}, {state}, loudest first: {order}."
    if unsure:
        pairs = "; ".join(f"{_spoken(d.louder)} and {_spoken(d.quieter)}" for d in unsure)
        text += f" Not told apart (the interval of the difference holds zero): {pairs}."
    return text


def _spoken(kind: _Kind) -> str:
    return f"{kind[0]}, {kind[1]}".replace("_", " ")


def _associations(levels: Sequence[FoundationLevels], abatement: str) -> Iterator[Association]:
    """Exposure of a strike of impact piling against each property, one at a time: they cannot be told apart."""
    rows = [r for r in levels if r.abatement == abatement and r.installation_method == "impact"]
    rows = [r for r in rows if r.exposure_level_db is not None]
    for name, words in PROPERTIES.items():
        own = [row for row in rows if (getattr(row, name) or 0.0) > 0]
        x = _logs(own, name)
        if len(own) < _FEWEST or x.max() - x.min() < math.log10(_NOTABLE_RATIO):
            continue
        y = np.array([row.exposure_level_db for row in own], dtype=np.float64)
        fit = ordinary_least_squares(y, np.stack([np.ones_like(x), x - x.mean()], axis=1))
        slope = fit.contrast([0.0, 1.0])
        together = tuple(_goes_with(own, name, x))
        yield Association(
            measure="exposure_level",
            abatement=abatement,
            property=name,
            n=len(own),
            slope_db_per_decade=slope.value,
            interval_95_db=slope.interval(),
            goes_with=together,
            words=_association_words(words, slope, together, len(own)),
        )


def _goes_with(rows: Sequence[FoundationLevels], name: str, x: FloatArray) -> Iterator[str]:
    """The other properties whose logarithms are correlated with this one over the same rows."""
    for other in PROPERTIES:
        if other == name or any((getattr(row, other) or 0.0) <= 0 for row in rows):
            continue
        z = _logs(rows, other)
        if np.ptp(z) > 0 and abs(float(np.corrcoef(x, z)[0, 1])) >= _TOGETHER:
            yield other


def _association_words(name: str, slope: Estimate, together: Sequence[str], n: int) -> str:
    low, high = slope.interval()
    verdict = "rises with" if low > 0 else ("falls with" if high < 0 else "shows no clear relation to")
    text = f"Exposure of a strike {verdict} {name}: {slope.value:+.1f} dB per tenfold"
    text += f" ({low:.1f} to {high:.1f}) over {n} groups."
    others = [PROPERTIES[other] for other in together]
    if others:
        text += f" {' and '.join(others).capitalize()} changes with it, so their parts cannot be told apart."
    return text


def _logs(rows: Sequence[FoundationLevels], name: str) -> FloatArray:
    return np.array([math.log10(getattr(row, name)) for row in rows])


def _median(rows: Sequence[FoundationLevels], name: str) -> float | None:
    known = [value for row in rows if (value := getattr(row, name)) is not None]
    return float(np.median(known)) if known else None
