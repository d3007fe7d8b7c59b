"""Tables of foundation and sound over the pooled projects."""

from __future__ import annotations

from reconcile.report.formatting import between, count, decibels, significant
from reconcile.report.tables.table import Body, Head, Table, one_body
from reconcile.report.words import abatement_words, group_words, sentence_case
from reconcile.vocabulary.documents.foundations import FoundationLevels, FoundationRelation, Ranking

BASIS = {
    "fit": "fitted curve",
    "summary": "line through the stations",
    "assumed_slope": "assumed 15 dB per tenfold distance",
    "none": "no level",
}
_MEASURE_WORDS = {
    "exposure_level": "Exposure of one strike, or of one second",
    "peak_level": "Zero-to-peak level",
    "activity_exposure": "Exposure over the whole installation",
}


def ranking_title(ranking: Ranking) -> str:
    """Measure and abatement state."""
    return f"{_MEASURE_WORDS.get(ranking.measure, ranking.measure)}; {abatement_words(ranking.abatement)}"


def ranking_table(ranking: Ranking) -> Table:
    """Groups from loud to quiet, each with what separates it from the one above."""
    head = (
        Head("Loudest first", numeric=False, wide=True),
        Head("Level (95 %)", "dB"),
        Head("Projects"),
        Head("Piles"),
        Head("Rated energy", "kJ"),
        Head("Diameter", "m"),
        Head("Water depth", "m"),
        Head("Duration", "h"),
        Head("Quieter than the one above by (95 %)", "dB"),
        Head("What else differs: the one above against this one", numeric=False, wide=True),
    )
    rows = []
    for i, group in enumerate(ranking.groups):
        above = ranking.differences[i - 1] if i else None
        rows.append(
            (
                sentence_case(kind_words(group.installation_method, group.foundation_type)),
                f"{decibels(group.level_db)} ({between(*group.level_interval_95_db)})",
                count(group.n_projects),
                count(group.n_piles),
                significant(group.rated_energy_kj),
                significant(group.diameter_m),
                significant(group.water_depth_m),
                significant(group.duration_h),
                "" if above is None else f"{decibels(above.difference_db)} ({between(*above.interval_95_db)})",
                "" if above is None else "; ".join(above.confounders),
            )
        )
    return one_body(head, rows)


def kind_words(method: str, foundation: str) -> str:
    """Foundation and method, without the abatement."""
    return group_words(method, foundation, "none").rsplit(", ", 1)[0]


def level_table(relation: FoundationRelation) -> Table:
    """What each project measured: a body for each kind of foundation."""
    head = (
        Head("Project", numeric=False),
        Head("Piles"),
        Head("Exposure of a strike or second", "dB re 1 µPa² s"),
        Head("Peak", "dB re 1 µPa"),
        Head("Exposure of the installation", "dB re 1 µPa² s"),
        Head("Rated energy", "kJ"),
        Head("Energy as struck", "kJ"),
        Head("Diameter", "m"),
        Head("Water depth", "m"),
        Head("Duration", "h"),
        Head("Level from", numeric=False),
    )
    grouped: dict[str, list[FoundationLevels]] = {}
    for row in relation.levels:
        name = sentence_case(group_words(row.installation_method, row.foundation_type, row.abatement))
        grouped.setdefault(name, []).append(row)
    return Table(head, tuple(Body(tuple(_level_row(r) for r in own), name) for name, own in grouped.items()))


def _level_row(row: FoundationLevels) -> tuple[str, ...]:
    return (
        row.project,
        count(row.n_piles),
        _level(row.exposure_level_db, row.exposure_standard_error_db),
        _level(row.peak_level_db, row.peak_standard_error_db),
        _level(row.activity_exposure_db, row.activity_standard_error_db),
        significant(row.rated_energy_kj),
        significant(row.strike_energy_kj),
        significant(row.diameter_m),
        significant(row.water_depth_m),
        significant(row.duration_h),
        BASIS.get(row.basis, row.basis),
    )


def _level(value: float | None, error: float | None) -> str:
    return decibels(value) if value is None or error is None else f"{decibels(value)} ± {decibels(error)}"
