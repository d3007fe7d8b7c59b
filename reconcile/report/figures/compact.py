"""An SVG drawing made small: the same picture with fewer elements, shorter paths and shorter ids."""

from __future__ import annotations

import re
from collections.abc import Iterator
from xml.etree.ElementTree import Element

_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e-?\d+)?")
_PART = re.compile(r"([A-Za-z])([^A-Za-z]*)")
_TICK = re.compile(r"M 0 0 L (-?[\d.]+) (-?[\d.]+)")
_LINE = re.compile(r"M \S+ \S+ L \S+ \S+")
_UNTURNED = re.compile(r"rotate\(-?0(?: [^)]*)?\)")
_MARKER_LINES = 14  # no marker has more straight lines
Number = int  # tenths of a point


def compact(root: Element, key: str) -> None:
    """Change the drawing in place. Ids become `key` with a number; coordinates are kept to 0.1 pt, markers to 0.01."""
    _flatten(root)
    _drop_invisible(root)
    _merge_ticks(root)
    _merge_lines(root)
    _group_marks(root)
    _rename(root, key)
    in_defs = {id(child) for defs in root.iter("defs") for child in defs.iter()}
    for element in root.iter():
        _shorten(element, id(element) not in in_defs or element.get("d", "").count(" L ") > _MARKER_LINES)


def _flatten(parent: Element) -> None:
    """Put the content of groups that say nothing in their place; definitions first."""
    children = list(parent)
    for child in children:
        _flatten(child)
    flat: list[Element] = []
    for child in children:
        clip = child.get("clip-path") if set(child.attrib) == {"clip-path"} and child.tag == "g" else None
        if clip is not None and all("clip-path" not in inner.attrib for inner in child):
            for inner in child:
                inner.set("clip-path", clip)
            del child.attrib["clip-path"]
        flat += list(child) if child.tag in ("g", "defs") and not (child.tag == "g" and child.attrib) else [child]
    if parent.tag == "svg":
        defined = [e for e in flat if e.get("id") is not None]
        defs = Element("defs")
        defs.extend(defined)
        flat = [*([defs] if defined else []), *(e for e in flat if e.get("id") is None)]
    parent[:] = flat


def _drop_invisible(root: Element) -> None:
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag == "path" and child.get("id") is None and child.get("style") == "fill: none":
                parent.remove(child)


def _merge_ticks(root: Element) -> None:
    """The marks of an axis as one path: `use` of a short straight line."""
    ticks = {}
    for path in root.iter("path"):
        found = _TICK.fullmatch(path.get("d", ""))
        if found and path.get("id"):
            ticks[f"#{path.get('id')}"] = (float(found[1]), float(found[2]))
    merged: dict[str, Element] = {}
    for child in [c for c in root if c.tag == "use" and c.get("href") in ticks]:
        dx, dy = ticks[child.get("href", "")]
        x, y, style = float(child.get("x", "0")), float(child.get("y", "0")), child.get("style", "")
        line = f"M {x} {y} L {x + dx} {y + dy}"
        root.remove(child)
        if style in merged:
            merged[style].set("d", f"{merged[style].get('d')} {line}")
        else:
            merged[style] = Element("path", {"d": line, "style": style})
            root.append(merged[style])
    used = {e.get("href") for e in root.iter("use")}
    for defs in root.iter("defs"):
        for path in [p for p in defs if f"#{p.get('id')}" in ticks and f"#{p.get('id')}" not in used]:
            defs.remove(path)


def _merge_lines(root: Element) -> None:
    """Neighbouring straight lines of one style as one path."""
    last: Element | None = None
    for child in list(root):
        straight = child.tag == "path" and _LINE.fullmatch(child.get("d", "")) and child.get("id") is None
        if straight and last is not None and _style(last) == _style(child):
            last.set("d", f"{last.get('d')} {child.get('d')}")
            root.remove(child)
        elif straight:
            last = child
        elif child.tag != "text":  # words between lines are not covered by them
            last = None


def _style(element: Element) -> tuple[str | None, str | None]:
    return element.get("style"), element.get("clip-path")


def _group_marks(root: Element) -> None:
    """Neighbouring marks of one style in a group that says it once."""
    grouped: list[Element] = []
    group: Element | None = None
    for child in list(root):
        if child.tag != "use":
            group = None
            grouped.append(child)
            continue
        said = {name: value for name in ("style", "clip-path") if (value := child.attrib.pop(name, None)) is not None}
        if group is None or group.attrib != said:
            group = Element("g", said)
            grouped.append(group)
        group.append(child)
    root[:] = grouped


def _rename(root: Element, key: str) -> None:
    names = {name: f"{key}.{place}" for place, name in enumerate(e.get("id", "") for e in root.iter() if e.get("id"))}
    for element in root.iter():
        for attribute, value in list(element.attrib.items()):
            if attribute == "id":
                element.set(attribute, names[value])
            elif attribute == "href" and value[1:] in names:
                element.set(attribute, f"#{names[value[1:]]}")
            elif value.startswith("url(#") and value[5:-1] in names:
                element.set(attribute, f"url(#{names[value[5:-1]]})")


def _shorten(element: Element, coarse: bool) -> None:
    for name in ("x", "y"):
        if name in element.attrib:
            element.set(name, _tenths(round(10 * float(element.attrib[name]))))
    if "d" in element.attrib:
        element.set("d", short_path(element.attrib["d"]) if coarse else _without_spaces(element.attrib["d"]))
    transform = element.get("transform")
    if transform is not None and _UNTURNED.fullmatch(transform):
        del element.attrib["transform"]
    style = element.get("style")
    if style is not None:
        element.set("style", style.replace(": ", ":").replace("; ", ";"))


def short_path(path: str) -> str:
    """A path in absolute commands with coordinates to 0.1; straight lines in steps, which do not add up errors."""
    written: list[str] = []
    place = (0, 0)
    for command, points in _commands(path):
        if command not in "ML" or not points:
            written.append(command + _joined(n for point in points for n in point))
        elif command == "M":
            written.append("M" + _joined(points[0]))
        else:
            before = [place, *points[:-1]]
            steps = [(x - a, y - b) for (x, y), (a, b) in zip(points, before, strict=True)]
            written.append("l" + _joined(n for step in steps if step != (0, 0) or len(steps) == 1 for n in step))
        place = points[-1] if points else place
    return "".join(written)


def _commands(path: str) -> Iterator[tuple[str, list[tuple[Number, Number]]]]:
    """The commands with their points; lines that follow each other are one command."""
    lines: list[tuple[Number, Number]] = []
    for command, words in _PART.findall(path):
        numbers = [round(10 * float(n)) for n in _NUMBER.findall(words)]
        points = list(zip(numbers[::2], numbers[1::2], strict=True))
        if command == "L":
            lines += points
            continue
        if lines:
            yield "L", lines
            lines = []
        yield command, points
    if lines:
        yield "L", lines


def _joined(numbers: Iterator[Number] | tuple[Number, Number]) -> str:
    text = ""
    for number in numbers:
        word = _tenths(number)
        text += word if not text or word.startswith("-") else f" {word}"
    return text


def _tenths(number: Number) -> str:
    whole, tenth = divmod(abs(number), 10)
    text = f"{whole or ''}.{tenth}" if tenth else str(whole)
    return f"-{text}" if number < 0 else text


def _without_spaces(path: str) -> str:
    return re.sub(r" ?([A-Za-z]) ?", r"\1", path)
