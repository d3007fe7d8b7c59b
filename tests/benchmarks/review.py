"""The review page with many strikes: `python -m tests.benchmarks.review [--strikes N] [--rate HZ] [--at FOLDER]`.

A synthetic recording (damped sines in noise, one every 1.2 s, one station, no log) is written and analysed once, kept
in FOLDER if one is given, then opened in headless Chromium (playwright). Measured by the page's own clock: from the
start of loading until the overview and the first strike are drawn, and from the key N (next doubtful) and J (following
strike) until that strike is drawn. Goals for 10,000 strikes: 1 s and 100 ms.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

EVERY_S, FILE_STRIKES, CHROMIUM = 1.2, 500, "/usr/bin/chromium"
START = datetime(2025, 5, 1, tzinfo=UTC)
TOML = """\
format_version = 1
[campaign]
name = "Many strikes"
[[systems]]
id = "H"
end_to_end_sensitivity_db = -170.0
standard_uncertainty_db = 0.7
[[stations]]
id = "A"
system = "H"
latitude_deg = 54.1067
longitude_deg = 6.5
recordings = "recordings/*.wav"
time_pattern = "A_%Y%m%dT%H%M%SZ"
"""
PILES = (
    "pile_id,foundation_type,installation_method,diameter_m,water_depth_m,latitude_deg,longitude_deg,"
    "rated_energy_kj,abatement,start_utc,end_utc,prediction_id\n"
    "P1,monopile,impact,8,30,54.1,6.5,4000,none,{start},{end},\n"
)
DRAWN = """async ([key, before]) => { const start = performance.now();
  document.body.dispatchEvent(new KeyboardEvent('keydown', { key, bubbles: true }));
  while (document.body.dataset.place === before) await new Promise(requestAnimationFrame);
  await new Promise(requestAnimationFrame); return performance.now() - start; }"""


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--strikes", type=int, default=10_000)
    asked.add_argument("--rate", type=int, default=48_000)
    asked.add_argument("--at", type=Path)
    options = asked.parse_args()
    folder = options.at or Path(tempfile.mkdtemp(prefix="review_"))
    try:
        if not (folder / "results" / "manifest.json").exists():
            write(folder, options.strikes, options.rate)
            subprocess.run([sys.executable, "-m", "reconcile", "levels", str(folder), "--no-hash"], check=True)
        measure(folder)
    finally:
        if options.at is None:
            shutil.rmtree(folder)


def write(folder: Path, n: int, rate_hz: int) -> None:
    """Write the campaign; every twentieth strike is faint, so that there are doubtful ones."""
    (folder / "recordings").mkdir(parents=True)
    end = START + timedelta(seconds=n * EVERY_S + 60)
    (folder / "campaign.toml").write_text(TOML, encoding="utf-8")
    (folder / "piles.csv").write_text(PILES.format(start=f"{START:%FT%TZ}", end=f"{end:%FT%TZ}"), encoding="utf-8")
    random, time_s = np.random.default_rng(5), np.arange(round(EVERY_S * rate_hz)) / rate_hz
    for first in range(0, n, FILE_STRIKES):
        strikes = []
        for k in range(first, min(first + FILE_STRIKES, n)):
            size = random.normal(300.0, 20.0) if k % 20 else 1.2
            since = time_s - 0.4
            pulse = np.where(since > 0, np.exp(-since / 0.03) * np.sin(2 * np.pi * 180.0 * since), 0.0)
            strikes.append(size * pulse + random.normal(0.0, 0.3, time_s.size))
        name = f"A_{START + timedelta(seconds=first * EVERY_S):%Y%m%dT%H%M%SZ}.wav"
        sound = np.concatenate(strikes) * 10 ** (-170 / 20) * 1e6
        soundfile.write(folder / "recordings" / name, sound, rate_hz, subtype="PCM_24")


def measure(folder: Path) -> None:
    """Open the page a few times and step through strikes."""
    from playwright.sync_api import sync_playwright

    words = [sys.executable, "-u", "-m", "reconcile", "review", str(folder), "--no-browser"]
    began = time.perf_counter()
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as server, sync_playwright() as driver:
        assert server.stdout is not None
        address = server.stdout.readline().removeprefix("Review page: ").strip()
        print(f"load of the machine: {os.getloadavg()[0]:.0f} on {os.cpu_count()} processors")
        print(f"results opened, envelopes made where missing: {time.perf_counter() - began:.1f} s")
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        first = [first_view(browser, address) for _ in range(5)]
        print(f"first view: {_told(first)}")
        page = browser.new_page(viewport={"width": 1400, "height": 1000})
        page.goto(address)
        page.wait_for_selector("body[data-ready][data-place]")
        for key, name in (("n", "next doubtful strike"), ("j", "following strike")):
            for pause_ms in (1000, 0):
                times = [step(page, key, pause_ms) for _ in range(20)]
                print(f"{name}, {pause_ms / 1000:g} s after the one before: {_told(times)}")
        browser.close()
        server.terminate()


def first_view(browser: Any, address: str) -> float:
    """Milliseconds from the start of loading until all is drawn."""
    context = browser.new_context(viewport={"width": 1400, "height": 1000})
    page = context.new_page()
    page.goto(address)
    page.wait_for_selector("body[data-ready][data-place]")
    taken = float(page.evaluate("Number(document.body.dataset.ready)"))
    context.close()
    return taken


def step(page: Any, key: str, pause_ms: int) -> float:
    """Milliseconds from a key until another strike is drawn."""
    page.wait_for_timeout(pause_ms)
    return float(page.evaluate(DRAWN, [key, page.get_attribute("body", "data-place")]))


def _told(times_ms: list[float]) -> str:
    return f"median {np.median(times_ms):.0f} ms, longest {max(times_ms):.0f} ms of {len(times_ms)}"


if __name__ == "__main__":
    main()
