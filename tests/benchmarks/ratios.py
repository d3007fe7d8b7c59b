"""The levels stage against the floor and against a plain script, in turn on the same generated recording.

`python -m tests.benchmarks.ratios --help` tells what can be asked for. Prints a table of medians: seconds by the clock
and of the processor, that as a multiple of the floor in the same round, times real time, peak memory. Whole processes
on one processor, start-up included, with byte code kept as an installed package has it. Absolute times depend on the
machine; the ratios less so.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.recording import write_campaign

_ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
_BYTE_CODE = Path(tempfile.gettempdir()) / "benchmark_byte_code"  # the first run of all fills it


@dataclass(frozen=True, slots=True)
class Cost:
    """Of one process: seconds by the clock and of the processor, and its largest memory."""

    clock_s: float
    processor_s: float
    memory_mib: float


def cost(words: list[str]) -> Cost:
    """Run one command on one processor and measure it. Raises RuntimeError where it fails."""
    processor = {min(os.sched_getaffinity(0))}
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    start = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, *words],
        stdout=subprocess.DEVNULL,
        env={"PYTHONPYCACHEPREFIX": str(_BYTE_CODE)} | kept | _ONE_THREAD,
        preexec_fn=lambda: os.sched_setaffinity(0, processor),
    )
    _, status, usage = os.wait4(process.pid, 0)
    if status:
        raise RuntimeError(f"{' '.join(words)} ended with status {status}")
    clock_s = time.perf_counter() - start
    return Cost(clock_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)


def levels_cost(campaign: Path, *words: str) -> Cost:
    """Of the levels stage from nothing: its results are removed before."""
    shutil.rmtree(campaign / "results", ignore_errors=True)
    return cost(["-m", "reconcile", "levels", str(campaign), *(words or ("--no-hash",))])


def print_row(name: str, costs: list[Cost], floors: list[Cost], seconds: float) -> None:
    """Medians over the rounds, and the median of the ratios to the floor of the same round."""
    clock, processor, memory = (statistics.median(values) for values in zip(*map(_values, costs), strict=True))
    ratio = statistics.median(c.processor_s / f.processor_s for c, f in zip(costs, floors, strict=True))
    print(f"{name:34s} {clock:8.2f} {processor:9.2f} {ratio:7.2f} {seconds / processor:9.0f} {memory:8.0f}", flush=True)


def _values(cost_: Cost) -> tuple[float, float, float]:
    return cost_.clock_s, cost_.processor_s, cost_.memory_mib


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--minutes", type=float, default=30.0)
    asked.add_argument("--rounds", type=int, default=5)
    asked.add_argument("--channels", type=int, default=1)
    asked.add_argument("--growth", action="store_true", help="2 and 120 minutes beside")
    asked.add_argument("--plain", action="store_true", help="the plain script beside, with both kinds of bands")
    asked.add_argument("--curve", action="store_true", help="a chain with a sensitivity curve beside")
    options = asked.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="benchmark_"))
    try:
        print(f"{'':34s} {'clock s':>8s} {'proc. s':>9s} {'/ floor':>7s} {'real time':>9s} {'MiB':>8s}")
        _compare(folder, options)
    finally:
        shutil.rmtree(folder)


def _compare(folder: Path, options: argparse.Namespace) -> None:
    path = write_campaign(folder / "main", options.minutes, options.channels)
    mono = path if options.channels == 1 else write_campaign(folder / "mono", options.minutes)
    runs: dict[str, list[Cost]] = {}
    curved = folder / "curve"
    if options.curve:
        write_campaign(curved, options.minutes, options.channels, curve=True)
    levels_cost(folder / "main")  # writes byte code
    for _ in range(options.rounds):
        runs.setdefault("floor (mono)", []).append(cost(["-m", "tests.benchmarks.floor", str(mono)]))
        runs.setdefault("levels, --no-hash", []).append(levels_cost(folder / "main"))
        runs.setdefault("levels, with checksums", []).append(levels_cost(folder / "main", "--workers", "1"))
        if options.channels > 1:
            runs.setdefault("levels of one channel", []).append(levels_cost(folder / "mono"))
        if options.curve:
            runs.setdefault("levels, with a curve", []).append(levels_cost(curved))
        if options.plain:
            for bands in ("fft", "filters"):
                words = ["-m", "tests.benchmarks.plain_script", str(mono), bands]
                runs.setdefault(f"plain script, bands by {bands}", []).append(cost(words))
    for name, costs in runs.items():
        print_row(name, costs, runs["floor (mono)"], 60.0 * options.minutes)
    if options.growth:
        for minutes in (2.0, 120.0):
            write_campaign(folder / f"{minutes:g}", minutes, options.channels)
            grown = levels_cost(folder / f"{minutes:g}")
            print_row(f"levels of {minutes:g} min", [grown], [runs["floor (mono)"][0]], 60.0 * minutes)
            shutil.rmtree(folder / f"{minutes:g}")


if __name__ == "__main__":
    main()
