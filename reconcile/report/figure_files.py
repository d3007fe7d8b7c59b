"""The drawings of the page as files of their own, for a document of somebody else."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from markupsafe import Markup

from reconcile.report.choice import Choice
from reconcile.report.figures.figure import FigurePart

_FONT = "font-family: DejaVu Sans, Liberation Sans, Arial, sans-serif"


def figure_files(shown: Mapping[str, Any]) -> dict[str, str]:
    """Each drawing of the page's contents by its file name: what it is of, number of the view, number of the panel."""
    found: dict[str, str] = {}
    for name, part in shown.items():
        for view, figure in _figures(part):
            for place, panel in enumerate(figure.panels, 1):
                found[f"{name}-{view}-{place}.svg"] = _file(panel.svg, panel.title)
    return found


def _figures(part: Any) -> Iterator[tuple[int, FigurePart]]:
    if isinstance(part, FigurePart):
        yield 1, part
    elif isinstance(part, Choice):
        yield from ((i, option.figure) for i, option in enumerate(part.options, 1) if option.figure)


def _file(svg: Markup, title: str) -> str:
    """The drawing as a document: with its namespace, a font, white paper and its title."""
    start = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
    body = str(svg).removeprefix("<svg ")
    head, _, rest = body.partition(">")
    named = f"<title>{Markup.escape(title)}</title>"
    return f'{start}{head} style="{_FONT}; background: #fff">{named}{rest}\n'
