"""Small drawings are the same drawings: paths followed by a plain reader, elements counted."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from reconcile.report.figures.compact import short_path
from reconcile.report.figures.style import house_style, new_axes
from reconcile.report.figures.svg import inline
from reconcile.report.small_page import policy, with_classes


def followed(path: str) -> list[tuple[float, float]]:
    """The points of a path of moves and lines, absolute (M, L) or in steps (l), as a browser would go."""
    points: list[tuple[float, float]] = []
    for command, words in re.findall(r"([MLlz])([^MLlz]*)", path):
        numbers = [float(n) for n in re.findall(r"-?(?:\d+\.?\d*|\.\d+)", words)]
        for x, y in zip(numbers[::2], numbers[1::2], strict=True):
            points.append((points[-1][0] + x, points[-1][1] + y) if command == "l" else (x, y))
    return points


@pytest.mark.parametrize("seed", range(5))
def test_a_short_path_goes_where_the_long_one_went(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = rng.uniform(-300.0, 300.0, (200, 2)).round(6)
    long = "M " + " L ".join(f"{x} {y}" for x, y in points)
    there = followed(short_path(long))
    assert len(there) == len(points)
    np.testing.assert_allclose(there, points, atol=0.0501)


def test_two_parts_and_an_end() -> None:
    assert followed(short_path("M 1 2 L 3 4 M 5.04 6 L 7 8 z")) == [(1, 2), (3, 4), (5, 6), (7, 8)]
    assert short_path("M 0 0 L 0.31 0 z") == "M0 0l.3 0z"


def test_marks_ticks_and_words_are_all_there() -> None:
    with house_style():
        figure, axes = new_axes()
        axes.plot(range(30), range(30), "s")
        axes.plot(range(30), range(30), "-")
        axes.set_xlabel("Level (dB)")
        svg = str(inline(figure, "k", "a drawing"))
    root = ElementTree.fromstring(svg)
    assert sum(1 for _ in root.iter("use")) == 30
    texts = [text.text for text in root.iter("text")]
    assert "Level (dB)" in texts
    referred = set(re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', svg))
    assert {a or b for a, b in referred} <= {e.get("id") for e in root.iter()}


def test_styles_become_classes_in_drawings_only() -> None:
    html = (
        '<style>p{}</style><p style="top:0">x</p><svg viewBox="0 0 9 9" role="img"><path style="fill:none"/>'
        '<g style="fill:none"/><g style="fill:red"/></svg>'
    )
    made = with_classes(html)
    assert '<p style="top:0">' in made
    assert made.count('class="f0"') == 2
    assert ".f0{fill:none}" in made
    assert ".f1{fill:red}" in made


def test_the_policy_names_the_digest_of_the_script() -> None:
    # SHA-256 of the text "abc", FIPS 180-4: ba7816bf 8f01cfea 414140de 5dae2223 b00361a3 96177a9c b410ff61 ...
    assert "script-src 'sha256-ungWv48Bz+pBQUDeXa4iI7ADYaOWF3qctBD/YfIAFa0='" in policy("abc")
    assert policy("abc").startswith("default-src 'none';")
