"""The review page in a headless browser: looked at, listened to, decided on, and what a run makes of it."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from reconcile.running.levels_stage import levels
from tests.decided_campaign import Decidable, write_decidable

CHROMIUM = Path("/usr/bin/chromium")
playwright = pytest.importorskip("playwright.sync_api")
pytest.importorskip("uvicorn")
pytestmark = pytest.mark.skipif(not CHROMIUM.exists(), reason="no Chromium at hand")
WAIT_MS = 30_000
INK = """(id) => { const c = document.getElementById(id);
  const { data } = c.getContext('2d').getImageData(0, 0, c.width, c.height);
  return data.filter((v, i) => i % 4 === 3 && v > 0).length; }"""
PICTURE = "(id) => document.getElementById(id).toDataURL()"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as driver:
        flags = ["--no-sandbox", "--autoplay-policy=no-user-gesture-required"]
        started = driver.chromium.launch(executable_path=str(CHROMIUM), args=flags)
        yield started
        started.close()


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Decidable:
    made = write_decidable(tmp_path_factory.mktemp("looked_at") / "campaign")
    run(made)
    return made


def run(campaign: Decidable) -> None:
    levels(campaign.folder, campaign.folder / "results", workers=1, hashed=False)


@pytest.fixture(scope="module")
def address(campaign: Decidable) -> Iterator[str]:
    """The address that `reconcile review` prints."""
    words = [sys.executable, "-u", "-m", "reconcile", "review", str(campaign.folder), "--no-browser"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        line = server.stdout.readline()
        yield line.removeprefix("Review page: ").strip()
        server.terminate()


class Watched:
    """A page, and what it should never do."""

    def __init__(self, browser: Any, address: str, **options: Any) -> None:
        self.context = browser.new_context(**options)
        self.context.set_default_timeout(WAIT_MS)
        self.faults: list[str] = []
        self.own = address.split("?")[0]
        self.page = self.open(address)

    def open(self, address: str) -> Any:
        page = self.context.new_page()
        page.on("console", lambda said: self.faults.append(said.text) if said.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.on("request", lambda asked: None if asked.url.startswith(self.own) else self.faults.append(asked.url))
        page.goto(address)
        page.wait_for_selector("body[data-ready][data-place]")
        return page


@pytest.fixture
def watched(browser: Any, address: str, campaign: Decidable) -> Iterator[Watched]:
    made = Watched(browser, address, viewport={"width": 1400, "height": 1000})
    yield made
    made.context.close()
    (campaign.folder / "decisions.csv").unlink(missing_ok=True)
    assert made.faults == []


def until(page: Any, told: str) -> None:
    """Wait until an expression holds (the page allows no script to be made of text, as the driver's own wait does)."""
    end = time.monotonic() + WAIT_MS / 1000
    while not _holds(page, told):
        assert time.monotonic() < end, told
        page.wait_for_timeout(30)


def _holds(page: Any, told: str) -> bool:
    try:
        return bool(page.evaluate(told))
    except playwright.Error as error:
        if not any(word in str(error) for word in ("navigation", "of null")):
            raise
        return False  # the page is being loaded anew: no script or no element there yet


def decide(page: Any, key: str, reason: str, who: str = "A. Person") -> None:
    page.keyboard.press(key)
    page.wait_for_selector("dialog#decide[open]")
    page.keyboard.type(reason)
    page.fill("#decide-who", who)
    page.keyboard.press("Enter")


def written(page: Any) -> None:
    page.wait_for_selector("dialog#decide", state="hidden")


def test_first_view_zoom_and_next(watched: Watched) -> None:
    page = watched.page
    until(page, "document.getElementById('overview').dataset.shown > 0")
    for name in ("overview", "strike-figure", "strip"):
        assert page.evaluate(INK, name) > 3000
    assert page.url == watched.own  # the token has left the address
    doubts = page.inner_text("#doubts")
    assert "heard at one place only" in doubts
    assert "dB re 1 µPa² s" in page.inner_text("#facts")
    shown = int(page.get_attribute("#overview", "data-shown"))
    assert shown > 10
    before = page.evaluate(PICTURE, "overview")
    page.focus("#overview")
    for _ in range(4):
        page.keyboard.press("+")
    until(page, f"Number(document.getElementById('overview').dataset.shown) < {shown}")
    assert page.evaluate(PICTURE, "overview") != before
    page.hover("#overview", position={"x": 400, "y": 100})
    page.mouse.wheel(0, -1200)
    page.keyboard.press("0")
    until(page, f"Number(document.getElementById('overview').dataset.shown) >= {shown}")
    place = page.get_attribute("body", "data-place")
    page.keyboard.press("n")
    until(page, f"document.body.dataset.place !== '{place}'")
    page.keyboard.press("b")
    until(page, f"document.body.dataset.place === '{place}'")


def test_down_to_one_strike(watched: Watched) -> None:
    page = watched.page
    page.keyboard.press("z")
    until(page, "document.getElementById('overview').dataset.shown === '1'")
    strike = page.evaluate(PICTURE, "strike-figure")
    page.focus("#strike-figure")
    page.keyboard.press("+")
    until(page, f"({PICTURE})('strike-figure') !== '{strike}'")
    page.keyboard.press(".")
    until(page, "document.getElementById('cursor-text').textContent.includes('UTC')")


def test_listening(watched: Watched) -> None:
    page = watched.page
    page.keyboard.press("]")
    with page.expect_response(lambda got: "/api/sound" in got.url) as heard:
        page.keyboard.press("p")
    assert heard.value.status == 200
    assert "speed=0.25" in heard.value.url
    assert "gain=5" in heard.value.url
    until(page, "document.getElementById('sound').currentTime > 0.2")
    page.keyboard.press("p")
    until(page, "document.getElementById('sound').paused")


def test_every_key_is_shown_and_focus_is_seen(watched: Watched) -> None:
    page = watched.page
    page.keyboard.press("?")
    text = page.inner_text("#keys")
    for word in ("next doubtful", "reject", "accept", "move", "unusable", "undo", "note", "listen", "filters"):
        assert word in text.lower()
    page.keyboard.press("Escape")
    page.focus("body")
    seen = set()
    for _ in range(60):
        page.keyboard.press("Tab")
        seen.add(page.evaluate("document.activeElement.dataset.key || document.activeElement.id"))
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outline != "none" or page.evaluate("document.activeElement === document.body")
    assert {"station", "who", "overview", "strike-figure", "r", "a", "n", "p", "u"} <= seen
    page.fill("#who", "nr")  # letters in a text field are letters
    assert not page.evaluate("document.querySelector('dialog[open]')")


def summary(campaign: Decidable) -> pd.Series:
    rows = pd.read_parquet(campaign.folder / "results" / "summary.parquet")
    own = rows[(rows["pile_id"] == "P1") & (rows["station_id"] == "NEAR") & (rows["quantity"] == "exposure_level")]
    own = own[(own["weighting"] == "none") & own["band_hz"].isna()]
    assert len(own) == 1
    return own.iloc[0]


def test_reject_run_undo_run(watched: Watched, campaign: Decidable) -> None:
    """A strike rejected leaves the statistics, exactly it, and comes back when that is undone."""
    page = watched.page
    before = summary(campaign)
    strikes = pd.read_parquet(campaign.folder / "results" / "strikes.parquet")
    own = strikes[(strikes["pile_id"] == "P1") & (strikes["station_id"] == "NEAR")].sort_values("time_utc")
    assert before["n_strikes"] == len(own)
    for _ in range(len(own) + 3):
        page.keyboard.press("k")
    first = own.iloc[0]
    until(page, f"document.getElementById('strike-title').textContent.startsWith('{first['strike_id']}')")
    decide(page, "r", 'a <b>chain</b> & a "hook"')
    written(page)
    table = page.inner_text("#decisions")
    assert 'a <b>chain</b> & a "hook"' in table
    assert "waits for a run" in table
    assert "reconcile run" in page.inner_text("#waiting")
    page.reload()
    page.wait_for_selector("body[data-ready][data-place]")
    assert "waits for a run" in page.inner_text("#decisions")

    run(campaign)
    without = summary(campaign)
    left = own["exposure_level_db"].to_numpy()[1:]
    assert without["n_strikes"] == len(own) - 1
    assert without["mean_db"] == pytest.approx(left.mean(), abs=1e-9)
    assert without["energy_mean_db"] == pytest.approx(10 * np.log10(np.mean(10 ** (left / 10))), abs=1e-9)
    assert without["maximum_db"] == pytest.approx(left.max(), abs=1e-9)
    page.click("#reopen")
    until(page, "document.getElementById('decisions').innerText.includes('in the results')")
    page.wait_for_selector("body[data-ready][data-place]")
    assert "rejected by decision" in page.inner_text("#flags")

    page.keyboard.press("u")
    page.wait_for_selector("dialog#decide[open]")
    assert "Line 2" in page.inner_text("#decide-about")
    page.keyboard.type("it was one")
    page.keyboard.press("Enter")
    written(page)
    assert "undone by line 3" in page.inner_text("#decisions")
    run(campaign)
    after = summary(campaign)
    for name in ("n_strikes", "mean_db", "energy_mean_db", "median_db", "cumulative_exposure_level_db"):
        assert after[name] == before[name]


def test_add_and_mark_at_the_cursor(watched: Watched, campaign: Decidable) -> None:
    page = watched.page
    page.focus("#overview")
    page.keyboard.press("z")
    for _ in range(3):
        page.keyboard.press("Shift+.")
    for key, reason in (("f", "a ship begins"), ("i", "one was missed"), ("c", "look again")):
        decide(page, key, reason)
        written(page)
    lines = pd.read_csv(campaign.folder / "decisions.csv")
    assert lines["action"].tolist() == ["unusable_from", "add", "note"]
    assert lines["who"].unique().tolist() == ["A. Person"]
    assert lines["time_utc"][0] == lines["time_utc"][1]
    page.keyboard.press("r")
    page.wait_for_selector("dialog#decide[open]")
    page.keyboard.press("Enter")  # without a reason
    assert page.is_visible("dialog#decide")
    page.keyboard.press("Escape")
    assert len(pd.read_csv(campaign.folder / "decisions.csv")) == 3


def test_two_windows(watched: Watched, campaign: Decidable) -> None:
    """The second window is shown what the first has decided, and nothing of it is written unseen."""
    first, second = watched.page, watched.open(watched.own)
    place = second.get_attribute("body", "data-place")
    decide(first, "r", "a chain", "First")
    written(first)
    decide(second, "a", "I heard it", "Second")
    second.wait_for_selector("#decide-fault ul")
    told = second.inner_text("#decide-fault")
    assert "Not written" in told
    assert "a chain (First)" in told
    assert pd.read_csv(campaign.folder / "decisions.csv")["action"].tolist() == ["reject"]
    second.click("#write")
    written(second)
    assert pd.read_csv(campaign.folder / "decisions.csv")["action"].tolist() == ["reject", "accept"]
    assert place == second.get_attribute("body", "data-place")
    refused = [fault for fault in watched.faults if "409" in fault]
    watched.faults = [fault for fault in watched.faults if fault not in refused]  # the browser's own note of the 409
    assert len(refused) == 1


@pytest.mark.parametrize(
    "screen",
    [
        {"viewport": {"width": 600, "height": 900}},
        {"viewport": {"width": 640, "height": 512}, "device_scale_factor": 2},  # 1280 by 1024 at 200 %
        {"viewport": {"width": 1400, "height": 1000}},
    ],
)
def test_narrow_and_at_200_percent(browser: Any, address: str, screen: dict[str, Any]) -> None:
    made = Watched(browser, address, **screen)
    page = made.page
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    cut = page.evaluate(
        """[...document.querySelectorAll('button, select, input, canvas, dd, summary')].filter((e) => {
          const r = e.getBoundingClientRect();
          return r.width && (r.left < -1 || r.right > window.innerWidth + 1); }).map((e) => e.id || e.textContent)"""
    )
    assert cut == []
    page.keyboard.press("r")
    page.wait_for_selector("dialog#decide[open]")
    assert page.evaluate("(() => { const r = document.getElementById('write').getBoundingClientRect();"
                         " return r.right <= window.innerWidth && r.bottom <= window.innerHeight; })()")  # fmt: skip
    made.context.close()
    assert made.faults == []
