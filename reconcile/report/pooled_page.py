"""The page of a pooled correction: what several projects taught, how they differ, what each gave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from reconcile.report.choice import Choice, Option
from reconcile.report.figures.before_after import validation_figure
from reconcile.report.figures.forest import forest
from reconcile.report.figures.foundations import foundation_figure
from reconcile.report.formatting import between, decibels, signed, significant, unbroken
from reconcile.report.tables import foundations as foundation_tables
from reconcile.report.tables import pooling as tables
from reconcile.report.tables.table import one_body, text
from reconcile.report.transfer_cautions import CAUTIONS, prior_words
from reconcile.report.words import statistic_words
from reconcile.vocabulary.documents.correction import Correction, CorrectionDocument

_VERDICTS = {
    "better": ("Corrected predictions are better", "no_bias_found"),
    "worse": ("Corrected predictions are worse", "overpredicts"),
    "not_shown": ("Not shown to be better", "too_little_data"),
}


@dataclass(frozen=True, slots=True)
class PooledFinding:
    """One card: what is added, and whether it helped."""

    kind: str
    verdict: str
    title: str
    subject: str
    value: str
    interval: str
    sentences: tuple[str, ...]


def environment() -> Environment:
    """Where the templates come from; all names from the input are escaped."""
    made = Environment(
        loader=PackageLoader("reconcile.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["unbroken"] = unbroken
    return made


def pooled_page(document: CorrectionDocument) -> str:
    """The page as one HTML document that asks for nothing from outside. Same document, same bytes."""
    return environment().get_template("pooled.html.j2").render(_contents(document))


def _contents(document: CorrectionDocument) -> dict[str, Any]:
    pooled = [entry for entry in document.corrections if entry.pooled is not None]
    whole = [entry for entry in pooled if entry.band_hz is None]
    shown = whole or pooled
    reference = document.corrections[0].reference_range_m
    return {
        "model_ids": sorted({entry.model_id for entry in document.corrections}),
        "facts": _facts(document, pooled),
        "projects": document.projects,
        "reference": significant(reference),
        "findings": [_finding(entry) for entry in shown],
        "prior": prior_words() if any(e.pooled and e.pooled.prior for e in pooled) else "",
        "forests": Choice("Quantity and group", tuple(_options(shown, "fo"))),
        "pooled": tables.pooled_table([entry for entry in document.corrections if entry.band_hz is None]),
        "bands": tables.pooled_table([entry for entry in document.corrections if entry.band_hz is not None]),
        "heterogeneity": tables.heterogeneity_table(shown),
        "contributions": _choice(shown, tables.contribution_table),
        "left_out": _choice(shown, tables.leave_one_out_table),
        "validations": Choice("Quantity and group", tuple(_validations(shown))),
        "sources": tables.source_table(document.sources),
        "versions": one_body(text("Software", "Version"), list(document.versions.items())),
        "cautions": CAUTIONS,
        **_foundations(document),
    }


def _facts(document: CorrectionDocument, pooled: Sequence[Correction]) -> list[tuple[str, str]]:
    piles = max((entry.n_piles for entry in pooled), default=0)
    return [
        (str(len(document.projects)), "projects"),
        (str(piles), "piles at most in one correction"),
        (str(len(pooled)), "pooled corrections"),
        (str(len(document.corrections) - len(pooled)), "from one project alone"),
    ]


def _finding(entry: Correction) -> PooledFinding:
    evidence = entry.pooled
    assert evidence is not None
    validation = evidence.validation
    verdict, kind = _VERDICTS[validation.finding if validation else "not_shown"]
    low, high = evidence.offset_interval_95_db
    away = low > 0 or high < 0
    shared = (
        "The projects share a bias: the interval of the mean excludes zero."
        if away
        else "What the projects share cannot be told from zero: most of the bias may be each project's own."
    )
    between_projects = f"{decibels(entry.spread_between_projects_db)} dB (one standard deviation"
    between_projects += "; partly assumed, see below)" if evidence.prior else ")"
    spread = (
        f"Projects scatter about it by {between_projects}; a new project lies between"
        f" {between(*evidence.offset_new_project_interval_95_db, with_sign=True)} dB."
    )
    return PooledFinding(
        kind=kind,
        verdict=verdict,
        title=tables.subject_of(entry).short,
        subject=f"{tables.group_of(entry)}; {statistic_words(entry.statistic)}; {entry.n_projects} projects",
        value=f"{signed(entry.coefficients.offset_db.value)} dB",
        interval=f"added at {significant(entry.reference_range_m)} m;"
        f" 95 % interval of the mean {between(low, high, with_sign=True)} dB",
        sentences=(shared, spread, *([validation.words] if validation else [])),
    )


def _name(entry: Correction) -> str:
    return f"{tables.subject_of(entry).short}; {tables.group_of(entry)}; {statistic_words(entry.statistic)}"


def _options(corrections: Sequence[Correction], key: str) -> list[Option]:
    drawn = [(entry, forest(entry, f"{key}-{i}")) for i, entry in enumerate(corrections)]
    return [Option(_name(entry), figure=figure) for entry, figure in drawn if figure]


def _validations(corrections: Sequence[Correction]) -> list[Option]:
    return [
        Option(_name(entry), figure=validation_figure(entry.pooled.validation, f"va-{i}"))
        for i, entry in enumerate(corrections)
        if entry.pooled is not None and entry.pooled.validation is not None
    ]


def _choice(corrections: Sequence[Correction], fill: Any) -> Choice:
    return Choice("Quantity and group", tuple(Option(_name(entry), table=fill(entry)) for entry in corrections))


def _foundations(document: CorrectionDocument) -> dict[str, Any]:
    relation = document.foundations
    if relation is None:
        return {"foundations": None, "rankings": None, "ranking_figures": None, "associations": ()}
    figures = tuple(
        Option(foundation_tables.ranking_title(r), foundation_figure(relation, r, f"fd-{i}"),
               foundation_tables.ranking_table(r))
        for i, r in enumerate(relation.rankings)
    )  # fmt: skip
    return {
        "foundations": foundation_tables.level_table(relation),
        "ranking_figures": Choice("Measure", figures),
        "associations": [association.words for association in relation.associations],
    }
