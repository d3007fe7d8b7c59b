"""Tables of pooled corrections: the results, how projects differ, what each gave, without each in turn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from reconcile.report.formatting import MISSING, between, count, decibels, metres, percent, signed, significant
from reconcile.report.subjects import Subject
from reconcile.report.tables.table import Body, Head, Table, one_body, text
from reconcile.report.words import group_words, sentence_case, statistic_words
from reconcile.vocabulary.documents.correction import Correction, Scope
from reconcile.vocabulary.documents.correction_parts import Extent
from reconcile.vocabulary.documents.fit import Coefficient
from reconcile.vocabulary.documents.pooling import PooledSource

_COEFFICIENTS = {
    "offset_db": "Added at the reference distance (dB)",
    "spreading_db_per_decade": "Added per tenfold distance (dB)",
    "attenuation_db_per_km": "Added per kilometre (dB)",
}


def subject_of(correction: Correction) -> Subject:
    """Quantity, weighting and band of a correction."""
    return Subject(correction.quantity, correction.weighting, correction.band_hz)


def group_of(correction: Correction) -> str:
    """The group of piles of a correction in words."""
    group = group_words(correction.installation_method, correction.foundation_type, correction.abatement)
    return sentence_case(group)


def pooled_table(corrections: Sequence[Correction]) -> Table:
    """All corrections: a body for each group of piles."""
    reference = significant(corrections[0].reference_range_m) if corrections else "the reference"
    head = (
        Head("Quantity", numeric=False, wide=True),
        Head("Projects"),
        Head("Piles"),
        Head(f"Added at {reference} m (95 %)", "dB"),
        Head("Added per tenfold distance (95 %)", "dB"),
        Head("Spread between projects", "dB"),
        Head("Spread between piles", "dB"),
        Head("A new project at that distance (95 %)", "dB"),
        Head("Marks", numeric=False, wide=True),
    )
    grouped: dict[str, list[Correction]] = {}
    for entry in corrections:
        grouped.setdefault(group_of(entry), []).append(entry)
    return Table(head, tuple(Body(tuple(_row(c) for c in own), name) for name, own in grouped.items()))


def _row(entry: Correction) -> tuple[str, ...]:
    offset, slope, evidence = entry.coefficients.offset_db, entry.coefficients.spreading_db_per_decade, entry.pooled
    if evidence is None:
        offset_words, new = _with_error(offset), "not known from one project"
        slope_words = _with_error(slope)
    else:
        offset_words = f"{signed(offset.value)} ({between(*evidence.offset_interval_95_db, with_sign=True)})"
        interval = evidence.spreading_interval_95_db
        ends = "" if interval is None else f" ({between(*interval, with_sign=True)})"
        slope_words = "not estimated" if interval is None else f"{signed(slope.value)}{ends}"
        new = between(*evidence.offset_new_project_interval_95_db, with_sign=True)
    return (
        f"{subject_of(entry).short}; {statistic_words(entry.statistic)}",
        count(entry.n_projects),
        count(entry.n_piles),
        offset_words,
        slope_words,
        decibels(entry.spread_between_projects_db),
        decibels(entry.spread_between_piles_db),
        new,
        ", ".join(flag.replace("_", " ") for flag in entry.flags if flag not in ("few_piles", "few_stations")),
    )


def _with_error(coefficient: Coefficient) -> str:
    if coefficient.standard_error == 0:
        return "not estimated" if coefficient.value == 0 else f"{signed(coefficient.value)} (fixed)"
    return f"{signed(coefficient.value)} ± {decibels(coefficient.standard_error)}"


def heterogeneity_table(corrections: Iterable[Correction]) -> Table:
    """How projects differ: a body for each correction, a row for each coefficient."""
    head = (
        Head("Coefficient", numeric=False, wide=True),
        Head("Projects with it"),
        Head("Spread by REML alone"),
        Head("Spread used"),
        Head("Q (degrees of freedom)"),
        Head("Chance of such a Q without any spread"),
        Head("I²"),
    )
    bodies = []
    for entry in corrections:
        rows = tuple(
            (
                _COEFFICIENTS[found.coefficient],
                count(found.n_projects),
                decibels(found.tau, 2),
                decibels(found.tau_used, 2),
                f"{decibels(found.q)} ({found.q_degrees_of_freedom})",
                "< 0.001" if found.q_p_value < 0.001 else decibels(found.q_p_value, 3),
                percent(found.i_squared_percent / 100.0),
            )
            for found in (entry.pooled.heterogeneity if entry.pooled else ())
        )
        bodies.append(Body(rows, _title(entry), group_of(entry)))
    return Table(head, tuple(body for body in bodies if body.rows))


def contribution_table(correction: Correction) -> Table:
    """What each project gave to one pooled correction, and what it covers."""
    head = (
        Head("Project", numeric=False),
        Head("Weight"),
        Head("Added at the reference distance", "dB"),
        Head("Added per tenfold distance", "dB"),
        Head("Piles"),
        Head("Pairs"),
        Head("Distances", "m"),
        Head("Strike energies", "kJ"),
        Head("Diameters", "m"),
        Head("Water depths", "m"),
    )
    parts = correction.pooled.contributions if correction.pooled else ()
    rows = [
        (
            part.project,
            percent(part.weight_percent / 100.0),
            _with_error(part.coefficients.offset_db),
            _with_error(part.coefficients.spreading_db_per_decade),
            count(part.n_piles),
            count(part.n_pairs),
            *scope_cells(part.scope),
        )
        for part in parts
    ]
    rows.append(("All together", "", "", "", count(correction.n_piles), "", *scope_cells(correction.scope)))
    return one_body(head, rows)


def scope_cells(scope: Scope) -> tuple[str, str, str, str]:
    """Distances, energies, diameters and depths of a scope."""
    low, high = scope.range_m
    ranges = MISSING if low is None or high is None else f"{metres(low)} to {metres(high)}"
    return ranges, _extent(scope.energy_kj), _extent(scope.diameter_m), _extent(scope.water_depth_m)


def _extent(extent: Extent) -> str:
    low, high = extent
    if low is None and high is None:
        return MISSING
    if low is None or high is None:
        return f"from {significant(low)}" if high is None else f"to {significant(high)}"
    return significant(low) if low == high else f"{significant(low)} to {significant(high)}"


def leave_one_out_table(correction: Correction) -> Table:
    """The pooled correction without each project, and the errors of that project before and after."""
    head = (
        Head("Without", numeric=False),
        Head("Pooled at the reference distance (95 %)", "dB"),
        Head("Spread between the others", "dB"),
        Head("Its error uncorrected", "dB"),
        Head("Its error corrected by the others", "dB"),
        Head("Within the interval stated for it", numeric=False),
    )
    evidence = correction.pooled
    judged = {p.project: p for p in evidence.validation.projects} if evidence and evidence.validation else {}
    rows = []
    for left in evidence.leave_one_out if evidence else ():
        own = judged.get(left.project)
        rows.append(
            (
                left.project,
                f"{signed(left.offset_db)} ({between(*left.offset_interval_95_db, with_sign=True)})",
                decibels(left.spread_between_projects_db),
                decibels(own.uncorrected_db if own else None),
                decibels(own.corrected_db if own else None),
                MISSING if own is None else ("yes" if own.within_interval else "no"),
            )
        )
    return one_body(head, rows)


def source_table(sources: Sequence[PooledSource]) -> Table:
    """What was pooled."""
    rows = [(source.file, ", ".join(source.projects), source.sha256) for source in sources]
    return one_body(text("File", "Projects", "SHA-256"), rows)


def _title(entry: Correction) -> str:
    return f"{subject_of(entry).short}; {statistic_words(entry.statistic)}"
