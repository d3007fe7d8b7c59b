"""How long it takes until something is said: `python -m tests.benchmarks.start_up`.

Medians of whole processes in turn, in milliseconds of the processor and by the clock. Goal: `--help` at most 150 ms
more than `python -c pass`.
"""

from __future__ import annotations

import statistics

from tests.benchmarks.ratios import Cost, cost

ROUNDS = 15
COMMANDS = {
    "python -c pass": ["-c", "pass"],
    "--help": ["-m", "reconcile", "--help"],
    "--version": ["-m", "reconcile", "--version"],
    "what a worker imports": ["-c", "import reconcile.running.executors"],
}


def main() -> None:
    """Print the table."""
    found: dict[str, list[Cost]] = {name: [] for name in COMMANDS}
    for _ in range(ROUNDS):
        for name, words in COMMANDS.items():
            found[name].append(cost(words))
    for name, costs in found.items():
        processor_ms, clock_ms = (1000.0 * statistics.median(s) for s in zip(*map(_seconds, costs), strict=True))
        print(f"{name:24s} {processor_ms:6.0f} {clock_ms:6.0f}")


def _seconds(taken: Cost) -> tuple[float, float]:
    return taken.processor_s, taken.clock_s


if __name__ == "__main__":
    main()
