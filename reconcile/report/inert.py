"""Names from the input as other programs may be given them: never as a formula, never as markup."""

from __future__ import annotations

import json

_FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r", "\n")  # by which spreadsheet programs know a formula
_MARKUP = {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"}


def inert_cell(text: str) -> str:
    """A text as a cell of a CSV file: one that a spreadsheet would take for a formula begins with an apostrophe."""
    return f"'{text}" if text.startswith(_FORMULA_SIGNS) else text


def inert_json(content: object, indent: int | None = 1) -> str:
    """A JSON text with the signs of HTML written as escapes: the same content, but no markup where it is pasted.

    Raises ValueError where a number is neither finite nor null.
    """
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, indent=indent)
    for sign, escape in _MARKUP.items():
        text = text.replace(sign, escape)
    return text + "\n"
