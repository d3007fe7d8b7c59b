"""The page in a browser: asks for nothing, complains of nothing, answers choosing and pointing; and without a script.

Needs playwright (extra `test`) and a Chromium of the system. The check of accessibility needs the file `axe.min.js` of
the npm package axe-core, which is no part of this project: it is looked for in `node_modules`, or where the variable
AXE_SCRIPT says.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from reconcile.report import page
from tests.report import small_evidence

playwright = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
AXE = Path(os.environ.get("AXE_SCRIPT", Path(__file__).parents[2] / "node_modules" / "axe-core" / "axe.min.js"))
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this system")
WIDE, NARROW = {"width": 1500, "height": 900}, {"width": 390, "height": 800}


@pytest.fixture(scope="module")
def html_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(page(small_evidence.whole()), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


class Opened:
    """The page in a window, with what it asked for and what it complained of."""

    def __init__(self, browser: Any, path: Path, window: dict[str, int], *, script: bool = True) -> None:
        context = browser.new_context(viewport=window, java_script_enabled=script)
        self.page = context.new_page()
        self.asked: list[str] = []
        self.complaints: list[str] = []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.goto(path.as_uri())
        if script:
            self.page.wait_for_selector("#strike-view.ready")


@pytest.mark.parametrize("window", [WIDE, NARROW], ids=["wide", "narrow"])
def test_nothing_is_asked_for_and_nothing_is_wider_than_the_window(
    browser: Any, html_file: Path, window: dict[str, int]
) -> None:
    opened = Opened(browser, html_file, window)
    assert opened.asked == [html_file.as_uri()]
    assert opened.complaints == []
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= window["width"]


def test_choosing_shows_one_view(browser: Any, html_file: Path) -> None:
    opened = Opened(browser, html_file, WIDE)
    choice = opened.page.locator("#levels .choice").first
    names = choice.locator("select option").all_inner_texts()
    choice.locator("select").select_option(label=names[1])
    shown = [o.get_attribute("data-name") for o in choice.locator("> .option").all() if o.is_visible()]
    assert shown == [names[1]]
    assert opened.complaints == []


def test_pointing_at_a_strike_says_which_it_is(browser: Any, html_file: Path) -> None:
    opened = Opened(browser, html_file, WIDE)
    view, info = opened.page.locator("#strike-view canvas"), opened.page.locator("#strike-info")
    view.focus()
    opened.page.keyboard.press("ArrowRight")
    first = small_evidence.strikes().sort_values(["pile_id", "station_id", "time_utc"]).iloc[0]
    said = info.inner_text()
    for word in (str(first["strike_id"]), str(first["station_id"]), str(first["recording"]),
                 f"sample {first['start_sample']}", f"{first['exposure_level_db']:.1f}",
                 f"{first['peak_level_db']:.1f}", f"energy {first['energy_kj']:.0f} kJ"):  # fmt: skip
        assert word in said
    view.evaluate("c => c.scrollIntoView({block: 'center', behavior: 'instant'})")
    box = view.bounding_box()
    found = set()
    for x in np.linspace(box["x"] + 66, box["x"] + box["width"] - 12, 60):
        for y in np.linspace(box["y"] + 14, box["y"] + box["height"] - 46, 12):
            opened.page.mouse.move(float(x), float(y))
            found.update(re.findall(r"Strike (P1-\d)", info.inner_text()))
    assert len(found) >= small_evidence.N_STRIKES - 1
    assert opened.complaints == []


def test_pile_quantity_band_and_zoom(browser: Any, html_file: Path) -> None:
    opened = Opened(browser, html_file, WIDE)
    view = opened.page.locator("#strike-view canvas")
    label = view.get_attribute("aria-label")
    opened.page.select_option("#strike-pile", label="P2")
    bands = [t for t in opened.page.locator("#strike-quantity option").all_inner_texts() if "decidecade" in t]
    assert bands
    opened.page.select_option("#strike-quantity", label=bands[0])
    assert "P2" in view.get_attribute("aria-label") != label
    before = view.evaluate("c => c.toDataURL()")
    opened.page.get_by_role("button", name="Zoom in").click()
    assert view.evaluate("c => c.toDataURL()") != before
    opened.page.get_by_role("button", name="Whole").click()
    assert view.evaluate("c => c.toDataURL()") == before
    assert opened.complaints == []


def test_every_number_of_the_summary_is_there_without_a_script(browser: Any, html_file: Path) -> None:
    opened = Opened(browser, html_file, NARROW, script=False)
    text = opened.page.inner_text("main")
    table = small_evidence.summary()
    columns = ["median_db", "mean_db", "exceeded_5_db", "minimum_db", "maximum_db"]
    for value in table.loc[table["band_hz"].isna(), columns].to_numpy().ravel():
        assert pd.isna(value) or f"{value:.1f}" in text


@pytest.mark.parametrize("script", [True, False])
def test_print(browser: Any, html_file: Path, script: bool) -> None:
    paper = Opened(browser, html_file, WIDE, script=script).page.pdf(prefer_css_page_size=True)
    assert paper.startswith(b"%PDF")
    assert 3 <= len(re.findall(rb"/Type\s*/Page\b", paper)) <= 30


def test_twenty_thousand_strikes_stay_small_and_answer_at_once(browser: Any, tmp_path: Path) -> None:
    """Size under 1 MB; a choice redraws, and pointing answers, within 0.25 s on a slow machine."""
    path = tmp_path / "many.html"
    path.write_text(page(small_evidence.with_strikes(20_000)), encoding="utf-8")
    assert path.stat().st_size < 1_000_000
    opened = Opened(browser, path, WIDE)
    assert "All 20\u202f000 strikes" in opened.page.inner_text("#time")
    took = opened.page.evaluate(
        "() => { const s = document.getElementById('strike-quantity'), t = performance.now();"
        "s.selectedIndex = 1; s.dispatchEvent(new Event('change')); return performance.now() - t; }"
    )
    assert took < 250.0
    box = opened.page.locator("#strike-view canvas").bounding_box()
    place = {"clientX": box["x"] + box["width"] / 2, "clientY": box["y"] + box["height"] / 2}
    took = opened.page.evaluate(
        "p => { const c = document.querySelector('#strike-view canvas'), t = performance.now();"
        "c.dispatchEvent(new PointerEvent('pointermove', p)); return performance.now() - t; }",
        place,
    )
    assert took < 250.0


@pytest.mark.skipif(not AXE.exists(), reason="axe-core is not here: npm install axe-core, or set AXE_SCRIPT")
@pytest.mark.parametrize("window", [WIDE, NARROW], ids=["wide", "narrow"])
def test_nothing_serious_for_readers_with_aids(browser: Any, html_file: Path, window: dict[str, int]) -> None:
    opened = Opened(browser, html_file, window)
    opened.page.evaluate(AXE.read_text(encoding="utf-8"))
    found = opened.page.evaluate("async () => (await axe.run()).violations")
    serious = [
        (v["id"], v["impact"], [n["html"][:160] for n in v["nodes"][:3]])
        for v in found
        if v["impact"] in ("serious", "critical")
    ]
    assert serious == []
