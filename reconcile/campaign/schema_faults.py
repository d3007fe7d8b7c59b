"""Says what pydantic found in campaign.toml in the words of the input: field, found, needed."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, get_args

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from reconcile.campaign.faults import Findings, shown
from reconcile.campaign.schema import PARTS
from reconcile.campaign.schema_fields import NEEDED, Parts
from reconcile.vocabulary.errors import suggestion

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]{1,100}")
_NEEDED: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "float_type": lambda _: "a number",
    "finite_number": lambda _: "a finite number",
    "int_type": lambda _: "a whole number",
    "string_type": lambda _: "text in quotes",
    "datetime_type": lambda _: "a time in UTC such as 2025-05-01T08:00:00Z",
    "bool_type": lambda _: "true or false, without quotes",
    "literal_error": lambda context: f"one of {context['expected']}",
    "string_too_short": lambda _: "some text",
    "string_too_long": lambda context: f"at most {context['max_length']} characters",
    "too_short": lambda _: "at least one",
}
_BOUNDS = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}
_BOUND_KINDS = frozenset({"greater_than", "greater_than_equal", "less_than", "less_than_equal"})
_LISTS = {"weightings": "nmfs-2024:LF", "criteria": "nmfs-2024", "tones_of": "vibratory"}  # an entry of each
_MISSING_MINUS = ("sensitivity_db", "end_to_end_sensitivity_db")


def field_path(location: Sequence[int | str]) -> str:
    """The place in the file as it is written there, counted from 0: `systems[2].gain_db`."""
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            name = part if _BARE_KEY.fullmatch(part) else shown(part)
            text += f".{name}" if text else name
    return text


def add_schema_faults(error: ValidationError, file: str, findings: Findings, parts: Parts = PARTS) -> None:
    """Add a fault for each thing that pydantic found; `parts` are the tables that the file may hold."""
    for details in error.errors(include_url=False):
        _add(details, file, findings, parts)


def _add(details: ErrorDetails, file: str, findings: Findings, parts: Parts) -> None:
    location, kind, context = details["loc"], details["type"], details.get("ctx", {})
    where, found = field_path(location), shown(details["input"])
    if kind == "extra_forbidden":
        known = sorted(parts[_names(location[:-1])].model_fields)
        name, hint = shown(location[-1]), suggestion(str(location[-1]), known)
        findings.fault(file, where, f"an unknown key {name}", f"one of {', '.join(known)}", hint)
    elif kind == "missing":
        findings.fault(file, where, "nothing", f"the key {location[-1]}")
    elif kind == NEEDED:
        where = f"{where}.{context['key']}" if context["key"] else where
        findings.fault(file, where, context["found"] or found, context["what"], context["hint"])
    elif kind in {"model_type", "dict_type", "model_attributes_type"}:
        findings.fault(file, where, found, "a table")
    else:
        findings.fault(file, where, found, _what(details, parts), _hint(details, parts))


def _what(details: ErrorDetails, parts: Parts) -> str:
    kind, context = details["type"], details.get("ctx", {})
    if kind in _BOUND_KINDS:
        bounds = _bounds(details["loc"], parts) or context
        return " and ".join(f"{word} {bounds[name]:g}" for name, word in _BOUNDS.items() if name in bounds)
    if kind == "list_type":
        entry = _LISTS.get(str(details["loc"][-1]))
        return f'a list, for example ["{entry}"]' if entry else "a list"
    return _NEEDED[kind](context) if kind in _NEEDED else details["msg"]


def _names(location: Sequence[int | str]) -> tuple[str, ...]:
    return tuple(part for part in location if isinstance(part, str))


def _bounds(location: Sequence[int | str], parts: Parts) -> dict[str, float]:
    """Both ends of what a key may be, as its table states them; pydantic says only the one that was passed."""
    table = parts.get(_names(location[:-1]))
    field = table.model_fields.get(str(location[-1])) if table else None
    if field is None:
        return {}
    stated = list(field.metadata)
    for option in get_args(field.annotation):  # of a key that may be absent the bounds belong to one of its types
        stated += [each for info in getattr(option, "__metadata__", ()) for each in info.metadata]
    return {name: getattr(each, name) for each in stated for name in _BOUNDS if hasattr(each, name)}


def _hint(details: ErrorDetails, parts: Parts) -> str:
    key, kind = details["loc"][-1], details["type"]
    if kind == "less_than" and key in _MISSING_MINUS:
        return "is the minus sign missing?"
    if kind == "literal_error" and isinstance(details["input"], str):
        return suggestion(details["input"], re.findall(r"'([^']*)'", details.get("ctx", {}).get("expected", "")))
    if kind == "list_type" and _names(details["loc"]) in parts:
        return f"write [[{'.'.join(_names(details['loc']))}]], in double brackets"
    return ""
