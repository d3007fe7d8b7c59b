"""Several views of the same thing, of which the page shows the one that is chosen."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from reconcile.report.figures.figure import FigurePart
from reconcile.report.subjects import Subject
from reconcile.report.tables.table import Table


@dataclass(frozen=True, slots=True)
class Option:
    """One of several views of the same thing: a name and what is shown under it."""

    name: str
    figure: FigurePart | None = None
    table: Table | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Choice:
    """Several views; without JavaScript they stand one below the other. `printed`: how many of them go on paper."""

    label: str
    options: tuple[Option, ...]
    printed: int = 1000

    @property
    def not_printed(self) -> int:
        """How many views a print leaves to the page."""
        return max(len(self.options) - self.printed, 0)


def figures(
    label: str, subjects: Iterable[Subject], draw: Callable[[Subject], FigurePart | None], printed: int = 1000
) -> Choice:
    """A choice between the figures of some subjects; those without one are left out."""
    drawn = [(subject, draw(subject)) for subject in subjects]
    return Choice(label, tuple(Option(subject.title, figure=figure) for subject, figure in drawn if figure), printed)


def tables(label: str, subjects: Iterable[Subject], fill: Callable[[Subject], Table], printed: int = 1000) -> Choice:
    """A choice between the tables of some subjects; empty ones are left out."""
    filled = [(subject, fill(subject)) for subject in subjects]
    options = tuple(Option(subject.title, table=table) for subject, table in filled if not table.empty)
    return Choice(label, options, printed)
