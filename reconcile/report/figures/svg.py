"""A matplotlib figure as SVG that can stand inside the page: small, ids that do not clash, the page's own font."""

from __future__ import annotations

import io
import re
import warnings
from xml.etree import ElementTree

from markupsafe import Markup
from matplotlib.figure import Figure

from reconcile.report.figures.compact import compact

_NUMBER = re.compile(r"-?\d+\.\d+")
_FONT_FAMILY = re.compile(r"font-family:[^;]*;? ?")
_FONT_SHORTHAND = re.compile(r"font: ((?:italic |oblique |bold |\d+ )*)([\d.]+px) [^;]*")
_UNREAL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_HREF = "{http://www.w3.org/1999/xlink}href"


def plain(name: object, longest: int | None = None) -> str:
    """A name as a figure may show it: no characters that XML forbids, shortened where there is no room."""
    text = _UNREAL.sub("\ufffd", str(name)).replace("\n", " ")
    return f"{text[: longest - 1]}…" if longest and len(text) > longest else text


def inline(figure: Figure, key: str, description: str) -> Markup:
    """The figure as an `<svg>` element. `key` is unique in the page; `description` says what is to be seen.

    Metadata, style sheet and unused ids are dropped, the others carry the key; the drawing is made small.
    """
    stream = io.StringIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")  # the reader's own fonts draw the text
        figure.savefig(stream, format="svg", metadata={"Date": None}, transparent=True)
    root = ElementTree.fromstring(_UNREAL.sub("\ufffd", stream.getvalue()))
    for parent in list(root.iter()):
        for child in list(parent):
            if _local(child) in ("metadata", "style"):
                parent.remove(child)
    used = _references(root)
    for element in root.iter():
        _tidy(element, used)
    compact(root, key)
    box = root.get("viewBox", "")
    root.attrib.clear()
    root.attrib.update({"viewBox": box, "role": "img", "aria-label": description})
    return Markup(ElementTree.tostring(root, encoding="unicode", short_empty_elements=True).replace(" />", "/>"))


def _local(element: ElementTree.Element) -> str:
    return element.tag.rsplit("}", 1)[-1]


def _references(root: ElementTree.Element) -> set[str]:
    found: set[str] = set()
    for element in root.iter():
        found.update(value[5:-1] for value in element.attrib.values() if value.startswith("url(#"))
        found.add(element.get(_HREF, "")[1:])
    return found


def _tidy(element: ElementTree.Element, used: set[str]) -> None:
    element.tag = _local(element)
    attributes = dict(element.attrib)
    element.attrib.clear()
    for name, value in attributes.items():
        if name == "id":
            if value in used:
                element.set("id", value)
        elif name == _HREF:
            element.set("href", value)
        elif name in ("d", "x", "y", "transform"):
            element.set(name, " ".join(_NUMBER.sub(_shorter, value).split()))
        elif name == "style":
            element.set(name, _FONT_SHORTHAND.sub(r"font-size: \2", _FONT_FAMILY.sub("", value)).strip())
        else:
            element.set(name, value)
    if element.tag != "text" and element.tag != "tspan":
        element.text = None
    element.tail = None


def _shorter(match: re.Match[str]) -> str:
    text = f"{float(match.group()):.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
