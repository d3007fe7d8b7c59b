"""`report.pdf`: the page on paper, tagged for reading aids, where the extra `pdf` (WeasyPrint) is installed."""

from __future__ import annotations

import logging

from reconcile.vocabulary.errors import Fault, InputError

_VARIANT = "pdf/ua-1"
_PAPER = """
@media print {
@page { size: A4; margin: 13mm 12mm 14mm;
  @bottom-right { content: counter(page) " of " counter(pages); font-size: 7.5pt; } }
body { font-size: 8.6pt; } main > section { padding: .4rem 0 .1rem; }
.in-short { font-size: 8.8pt; } .lead { font-size: 9pt; }
.legend li { display: inline-block; margin: 0 .8rem .1rem 0; }
.legend li > * { display: inline-block; vertical-align: middle; }
.legend svg { width: .8em; height: .8em; margin-right: .3em; } .legend svg.wide { width: 1.7em; }
.panels { display: block; orphans: 1; widows: 1; }
.panel { display: inline-block; width: 48%; margin: 0 1% .4rem 0; vertical-align: top; }
.panels.wide .panel { display: block; width: 100%; } .panel svg { width: 78%; } .panels.wide .panel svg { width: 78%; }
.scroll::before { content: none; }
.option, .choice, figure, .scroll { margin-top: .2rem; margin-bottom: .4rem; } h3.sub { margin-top: .7rem; }
}
"""


def pdf(html: str) -> bytes:
    """The page as PDF/UA. Nothing is fetched. Raises InputError where WeasyPrint is not installed, or cannot start."""
    needed = 'the extra pdf: python -m pip install "reconcile[pdf]"'
    try:
        import weasyprint
    except ImportError as error:
        raise InputError([Fault("--pdf", "", "WeasyPrint is not installed", needed)]) from error
    except OSError as error:  # Pango, a library of the system
        found = f"WeasyPrint cannot start ({error})"
        raise InputError([Fault("--pdf", "", found, "the library Pango beside it")]) from error
    for name in ("weasyprint", "fontTools"):
        logging.getLogger(name).setLevel(logging.ERROR)
    on_paper = html.replace("</style>", f"{_PAPER}</style>", 1)  # last in the page's own sheet, so that it holds
    made: bytes = weasyprint.HTML(string=on_paper, url_fetcher=_nothing).write_pdf(pdf_variant=_VARIANT)
    return made


def _nothing(url: str, *_: object, **__: object) -> dict[str, object]:
    raise ValueError(f"the page asks for nothing from outside, but was to fetch {url}")
