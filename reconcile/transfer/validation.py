"""Leave-one-project-out: would the other projects' correction have made this project's predictions better?"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from reconcile.inference.intervals import half_width_factor
from reconcile.transfer.project_corrections import ProjectCorrection, design_row, matrix, vector
from reconcile.transfer.project_effects import ProjectEffects
from reconcile.vocabulary.documents.correction import Correction
from reconcile.vocabulary.documents.pooling import ValidatedProject, Validation, ValidationFinding
from reconcile.vocabulary.quantities import FloatArray

_POINTS = 3  # ranges at which a project's predictions are judged: the ends of its own and the middle in log range
_FEWEST = 3  # projects that anything may be concluded from


def validation(parts: Sequence[ProjectCorrection], without: Sequence[ProjectEffects]) -> Validation:
    """Judge each project by what the others say; `without[i]` is pooled from all but `parts[i]`.

    A project's own correction is what its predictions lacked: its absolute value is the error of the uncorrected ones,
    its difference from the pooled correction of the others that of the corrected ones.
    """
    projects = tuple(_judged(part, rest) for part, rest in zip(parts, without, strict=True))
    before = np.array([p.uncorrected_db for p in projects])
    after = np.array([p.corrected_db for p in projects])
    gain = before - after
    interval = _interval(gain)
    improved = int(np.sum(gain > 0))
    finding = _finding(interval, len(projects))
    inside = sum(p.within_interval for p in projects)
    return Validation(
        projects=projects,
        uncorrected_db=float(before.mean()),
        corrected_db=float(after.mean()),
        gain_db=float(gain.mean()),
        gain_interval_95_db=interval,
        n_improved=improved,
        n_within_interval=inside,
        finding=finding,
        words=_words(finding, float(before.mean()), float(after.mean()), improved, inside, len(projects)),
    )


def _judged(part: ProjectCorrection, rest: ProjectEffects) -> ValidatedProject:
    own, reference = part.correction, part.correction.reference_range_m
    ranges = _ranges(own)
    rows = [design_row(r, reference) for r in ranges]
    lacked = np.array([row @ vector(own) for row in rows])
    added = np.array([row @ rest.mean for row in rows])
    return ValidatedProject(
        project=part.project,
        range_m=ranges,
        uncorrected_db=float(np.abs(lacked).mean()),
        corrected_db=float(np.abs(lacked - added).mean()),
        within_interval=_within(own, rest, rows[len(rows) // 2]),
    )


def _ranges(correction: Correction) -> tuple[float, ...]:
    low, high = correction.scope.range_m
    if low is None or high is None or not 0 < low < high:
        return (correction.reference_range_m if low is None or not low > 0 else low,)
    return tuple(float(r) for r in np.geomspace(low, high, _POINTS))


def _within(own: Correction, rest: ProjectEffects, row: FloatArray) -> bool:
    """Whether the project's own correction lies in the others' interval for a new project, its own error included."""
    variance = float(row @ (rest.covariance + rest.between + matrix(own)) @ row)
    half = half_width_factor(rest.degrees_of_freedom_new_project) * math.sqrt(variance)
    return abs(float(row @ (vector(own) - rest.mean))) <= half


def _interval(gain: FloatArray) -> tuple[float, float] | None:
    if gain.size < _FEWEST:
        return None
    half = half_width_factor(gain.size - 1.0) * float(gain.std(ddof=1)) / math.sqrt(gain.size)
    return float(gain.mean()) - half, float(gain.mean()) + half


def _finding(interval: tuple[float, float] | None, n: int) -> ValidationFinding:
    if interval is None or n < _FEWEST:
        return "not_shown"
    return "better" if interval[0] > 0 else ("worse" if interval[1] < 0 else "not_shown")


def _words(finding: ValidationFinding, before: float, after: float, improved: int, inside: int, n: int) -> str:
    verdict = {
        "better": "Corrected predictions are better than uncorrected ones",
        "worse": "Corrected predictions are worse than uncorrected ones",
        "not_shown": "Corrected predictions are not shown to be better than uncorrected ones",
    }[finding]
    few = "; fewer than three projects allow no conclusion" if n < _FEWEST else ""
    return (
        f"{verdict}{few}: each project corrected by the others alone is off by {after:.1f} dB on average, uncorrected "
        f"by {before:.1f} dB; {improved} of {n} projects gain, {inside} of {n} lie within the interval stated for them."
    )
