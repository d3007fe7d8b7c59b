"""A page made smaller without a change to what it shows: styles that figures repeat are said once, as classes.

The page's policy (Content-Security-Policy) is made here too: it names the digest of the page's own script, so that no
other can run, and lets nothing be fetched.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections import Counter

_DRAWING = re.compile(r'<svg viewBox="[^"]*" role="img".*?</svg>', re.DOTALL)
_STYLE = re.compile(r'style="([^"]*)"')
_END_OF_STYLES = "</style>"


def with_classes(html: str) -> str:
    """The page with the style attributes of its drawings as classes of its style sheet, the most frequent first."""
    found = Counter(style for drawing in _DRAWING.findall(html) for style in _STYLE.findall(drawing))
    order = sorted(found, key=lambda style: (-found[style], style))
    names = {style: f"f{place}" for place, style in enumerate(order)}

    def named(drawing: re.Match[str]) -> str:
        return _STYLE.sub(lambda match: f'class="{names[match[1]]}"', drawing.group())

    rules = "".join(f".{names[style]}{{{style}}}\n" for style in order)
    head, end, rest = html.partition(_END_OF_STYLES)
    return f"{head}{rules}{end}{_DRAWING.sub(named, rest)}"


def policy(script: str) -> str:
    """What a page with this script alone may do: run it, and show what is in the page."""
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
        "form-action 'none'"
    )
