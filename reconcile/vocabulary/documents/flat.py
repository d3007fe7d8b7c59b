"""A document as its single values, each with its place: what two documents are compared by."""

from __future__ import annotations

from reconcile.vocabulary.documents.document import Document

Leaf = str | int | float | bool | None


def flat(document: Document) -> dict[str, Leaf]:
    """Each single value by its place, as in `systems[H1].gain_db`.

    Entries of a list go by an identifier of theirs that no two share, else by their number.
    """
    return flat_json(document.model_dump(mode="json"))


def flat_json(content: object) -> dict[str, Leaf]:
    """The same of what was read from a JSON file."""
    found: dict[str, Leaf] = {}
    _walk(content, "", found)
    return found


_NAMED_BY = ("id", "pile_id", "system_id", "stage", "recording", "name")


def _walk(value: object, place: str, found: dict[str, Leaf]) -> None:
    if isinstance(value, dict):
        for key, item in value.items():
            _walk(item, f"{place}.{key}" if place else str(key), found)
    elif isinstance(value, list):
        for key, item in zip(_keys(value), value, strict=True):
            _walk(item, f"{place}[{key}]", found)
    elif value is None or isinstance(value, str | int | float | bool):
        found[place] = value


def _keys(items: list[object]) -> list[str]:
    """What names each entry: an identifier that no two share, else its number."""
    for name in _NAMED_BY:
        named = [str(item[name]) for item in items if isinstance(item, dict) and name in item]
        if len(named) == len(items) == len(set(named)):
            return named
    return [str(number) for number in range(len(items))]
