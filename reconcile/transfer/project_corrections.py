"""Corrections of several projects side by side: which may be pooled, at one reference range."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from reconcile.spreading.strike_levels import plain_abatement
from reconcile.vocabulary.documents.correction import Correction, CorrectionCoefficients, CorrectionDocument
from reconcile.vocabulary.documents.fit import Coefficient, Covariance
from reconcile.vocabulary.documents.pooling import Contribution
from reconcile.vocabulary.errors import Fault
from reconcile.vocabulary.quantities import FloatArray

NAMES = ("offset_db", "spreading_db_per_decade", "attenuation_db_per_km")
Key = tuple[str, str, float | None, str | None, str, str, str]


@dataclass(frozen=True, slots=True)
class Source:
    """A correction document and the name of the file that it was read from, as it is shown."""

    file: str
    document: CorrectionDocument


@dataclass(frozen=True, slots=True)
class ProjectCorrection:
    """One project's correction for one group, and where it stands."""

    project: str
    file: str
    correction: Correction


def group_key(correction: Correction) -> Key:
    """What is never mixed: quantity, weighting, band, statistic, foundation type, method, abatement."""
    return (
        correction.quantity,
        correction.weighting,
        correction.band_hz,
        correction.statistic,
        correction.foundation_type,
        correction.installation_method,
        plain_abatement(correction.abatement),
    )


def vector(correction: Correction | Contribution) -> FloatArray:
    """The three coefficients."""
    c = correction.coefficients
    return np.array([c.offset_db.value, c.spreading_db_per_decade.value, c.attenuation_db_per_km.value])


def matrix(correction: Correction | Contribution) -> FloatArray:
    """Covariance of the three coefficients in their order; of one that its names do not hold the standard error."""
    given = correction.covariance
    place = [NAMES.index(name) for name in given.names if name in NAMES]
    rows = [i for i, name in enumerate(given.names) if name in NAMES]
    c = correction.coefficients
    errors = [x.standard_error for x in (c.offset_db, c.spreading_db_per_decade, c.attenuation_db_per_km)]
    result = np.diag(np.square(errors))
    result[np.ix_(place, place)] = np.array(given.matrix, dtype=np.float64)[np.ix_(rows, rows)]
    return result


def coefficients(values: FloatArray, covariance: FloatArray) -> tuple[CorrectionCoefficients, Covariance]:
    """Coefficients and covariance as a document has them."""
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    offset, slope, loss = (
        Coefficient(value=float(v), standard_error=float(e)) for v, e in zip(values, errors, strict=True)
    )
    rows = tuple(tuple(float(x) for x in row) for row in covariance)
    return (
        CorrectionCoefficients(offset_db=offset, spreading_db_per_decade=slope, attenuation_db_per_km=loss),
        Covariance(names=NAMES, matrix=rows),
    )


def design_row(range_m: float, reference_range_m: float) -> FloatArray:
    """What the coefficients are multiplied by at a range."""
    return np.array([1.0, math.log10(range_m / reference_range_m), (range_m - reference_range_m) / 1000.0])


def at_reference(correction: Correction, reference_range_m: float) -> Correction:
    """The same correction written for another reference range; values and intervals at every range stay the same."""
    move = np.eye(3)
    move[0] = design_row(reference_range_m, correction.reference_range_m)
    new, covariance = coefficients(move @ vector(correction), move @ matrix(correction) @ move.T)
    small = correction.small_sample
    if small is not None:
        gradients = tuple(
            tuple(tuple(float(x) for x in row) for row in move @ np.array(gradient) @ move.T)
            for gradient in small.gradients
        )
        small = small.model_copy(update={"gradients": gradients})
    changes = {
        "reference_range_m": reference_range_m,
        "coefficients": new,
        "covariance": covariance,
        "small_sample": small,
    }
    return correction.model_copy(update=changes)


def project_corrections(sources: Sequence[Source], model_id: str | None = None) -> Iterator[ProjectCorrection]:
    """Every project's correction; a pooled file is taken apart into the projects that it came from."""
    for source in sources:
        for entry in source.document.corrections:
            if model_id is not None and entry.model_id != model_id:
                continue
            if entry.pooled is None:
                yield ProjectCorrection(_alone(source.document, entry), source.file, entry)
            else:
                for part in entry.pooled.contributions:
                    yield ProjectCorrection(part.project, source.file, _of_contribution(entry, part))


def _alone(document: CorrectionDocument, entry: Correction) -> str:
    """The project of an entry that was not pooled; in a pooled file it is named by the source that held it."""
    if not document.projects or entry.project is None:
        return document.project
    return entry.project


def _of_contribution(entry: Correction, part: Contribution) -> Correction:
    changes = {
        "coefficients": part.coefficients,
        "covariance": part.covariance,
        "spread_between_piles_db": part.spread_between_piles_db,
        "spread_between_projects_db": None,
        "n_projects": 1,
        "n_piles": part.n_piles,
        "n_pairs": part.n_pairs,
        "prediction_ids": part.prediction_ids,
        "scope": part.scope,
        "flags": part.flags,
        "small_sample": None,
        "pooled": None,
    }
    return entry.model_copy(update=changes)


def faults_of(source: Source) -> list[Fault]:
    """What makes a document unfit for use, though its form is right: covariances, ranges, groups given twice."""
    faults = []
    for i, entry in enumerate(source.document.corrections):
        where = f"corrections[{i}]"
        if not entry.reference_range_m > 0 or not math.isfinite(entry.reference_range_m):
            found, needed = f"{entry.reference_range_m:g}", "a range above 0 m"
            faults.append(Fault(source.file, f"{where}.reference_range_m", found, needed))
        if reason := _covariance_fault(entry):
            faults.append(Fault(source.file, f"{where}.covariance", reason, f"covariance of {', '.join(NAMES)}"))
    keys = Counter((_alone(source.document, e), e.model_id, group_key(e)) for e in source.document.corrections)
    for (project, model_id, key), n in keys.items():
        if n > 1:
            found = f"{n} corrections of {project}, method {model_id}, for {key_words(key)}"
            faults.append(Fault(source.file, "corrections", found, "one"))
    return faults


def _covariance_fault(entry: Correction) -> str:
    given = np.array(entry.covariance.matrix, dtype=np.float64)
    size = len(entry.covariance.names)
    if given.shape != (size, size) or not set(entry.covariance.names) <= set(NAMES):
        return f"a matrix of shape {given.shape} for {', '.join(entry.covariance.names) or 'no names'}"
    values = vector(entry)
    if not np.isfinite(given).all() or not np.isfinite(values).all():
        return "numbers that are not finite"
    if not np.allclose(given, given.T, atol=1e-9) or np.linalg.eigvalsh(given).min() < -1e-6 * max(1.0, given.max()):
        return "a matrix that is no covariance"
    return ""


def pooling_faults(sources: Sequence[Source], model_id: str | None) -> list[Fault]:
    """All that forbids to pool these documents together: each as it is, then projects, methods, common groups."""
    faults = [fault for source in sources for fault in faults_of(source)]
    faults += [
        Fault(
            source.file, f"corrections[{i}]", "a pooled correction that does not name its projects", "their own files"
        )
        for source in sources
        for i, entry in enumerate(source.document.corrections)
        if entry.n_projects > 1 and entry.pooled is None
    ]
    parts = list(project_corrections(sources, model_id))
    repeated = _same_project(sources)
    faults += repeated
    faults += _methods(sources, model_id)
    groups: dict[Key, set[str]] = {}
    for part in parts:
        groups.setdefault(group_key(part.correction), set()).add(_plain(part.project))
    if not repeated and not any(len(projects) > 1 for projects in groups.values()):
        files = ", ".join(source.file for source in sources)
        found = "no quantity, weighting, band, statistic, foundation type, method and abatement in two projects"
        faults.append(Fault(files, "", found, "corrections of the same thing from two projects at least"))
    return faults


def _same_project(sources: Sequence[Source]) -> list[Fault]:
    faults = []
    first: dict[str, str] = {}
    for source in sources:
        names = source.document.projects or (source.document.project,)
        for name in names:
            if _plain(name) in first:
                found = f"the project {name!r} again (also in {first[_plain(name)]})"
                faults.append(Fault(source.file, "project", found, "each project once"))
        first |= {_plain(name): source.file for name in names if _plain(name) not in first}
    return faults


def _methods(sources: Sequence[Source], model_id: str | None) -> list[Fault]:
    held = {source.file: {entry.model_id for entry in source.document.corrections} for source in sources}
    found = sorted({name for names in held.values() for name in names})
    if model_id is not None:
        lacking = [file for file, names in held.items() if model_id not in names]
        return [Fault(file, "model_id", "no correction of this method", model_id) for file in lacking]
    if len(found) <= 1:
        return []
    hint = "a bias belongs to a method; --model picks one"
    return [
        Fault(file, "model_id", ", ".join(sorted(names)) or "none", "one prediction method in all files", hint)
        for file, names in held.items()
    ]


def _plain(name: str) -> str:
    return name.strip().casefold()


def key_words(key: Key) -> str:
    """A group in one line."""
    quantity, weighting, band_hz, statistic, foundation, method, abatement = key
    band = "full band" if band_hz is None else f"{band_hz:g} Hz"
    return (
        f"{quantity}, {weighting}, {band}, {statistic or 'statistic not stated'}, {foundation}, {method}, {abatement}"
    )
