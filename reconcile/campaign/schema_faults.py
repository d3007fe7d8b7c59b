"""Says what pydantic found in campaign.toml in the words of the input: field, found, needed."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

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
    "list_type": lambda _: "a list",
    "greater_than": lambda context: f"above {context['gt']:g}",
    "greater_than_equal": lambda context: f"at least {context['ge']:g}",
    "less_than": lambda context: f"below {context['lt']:g}",
    "less_than_equal": lambda context: f"at most {context['le']:g}",
    "literal_error": lambda context: f"one of {context['expected']}",
    "string_too_short": lambda _: "some text",
    "string_too_long": lambda context: f"at most {context['max_length']} characters",
    "too_short": lambda _: "at least one",
}
_TABLES = {("systems",), ("stations",), ("limits",), ("periods",), ("criteria",)}
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
        known = sorted(parts[tuple(part for part in location[:-1] if isinstance(part, str))].model_fields)
        name, hint = shown(location[-1]), suggestion(str(location[-1]), known)
        findings.fault(file, where, f"an unknown key {name}", f"one of {', '.join(known)}", hint)
    elif kind == "missing":
        findings.fault(file, where, "nothing", f"the key {location[-1]}")
    elif kind == NEEDED:
        findings.fault(file, where, found, context["what"], context["hint"])
    elif kind in {"model_type", "dict_type", "model_attributes_type"}:
        findings.fault(file, where, found, "a table")
    else:
        what = _NEEDED[kind](context) if kind in _NEEDED else details["msg"]
        findings.fault(file, where, found, what, _hint(details))


def _hint(details: ErrorDetails) -> str:
    key, kind = details["loc"][-1], details["type"]
    if kind == "less_than" and key in _MISSING_MINUS:
        return "is the minus sign missing?"
    if kind == "literal_error" and isinstance(details["input"], str):
        return suggestion(details["input"], re.findall(r"'([^']*)'", details.get("ctx", {}).get("expected", "")))
    if kind == "list_type" and details["loc"] in {
        ("systems",),
        ("stations",),
        ("limits",),
        ("periods",),
        ("criteria",),
    }:
        return f"write [[{key}]], in double brackets"
    return ""
