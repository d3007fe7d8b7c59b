"""How the reading of recordings would scale: workers against storage, simulated from measured building blocks.

    python -m tests.benchmarks.scaling [--workers 1 8 64 512] [--storage 0.2 2 20] [--terabytes 10 1000]

Each task is handed out by the scheduler (one at a time, `SCHEDULER_S` each), its bytes are served by the storage in the
order in which
tasks come, then it is computed on its worker; the next is fetched when that is done. Prints hours, the share of the
ideal speed-up that is left, and what holds it back. The tables of a campaign are assembled by one process afterwards:
that is in a column of its own, for campaigns of `CAMPAIGN_H` hours of sound that are done beside each other.
"""

from __future__ import annotations

import argparse
import heapq
from dataclasses import dataclass

BYTES_PER_HOUR = 96_000 * 3 * 3600  # one channel, 96 kHz, 24 bit
COMPUTE_S_PER_HOUR = 10.2  # of one processor: docs/performance.md, 5.08 s for half an hour
SCHEDULER_S = 0.01  # for each task: docs/scaling.md
TASK_HOURS = 1.0  # one stretch: four parts of sixteen minutes
STREAM_BYTES_PER_S = 0.4e9  # most that one reader gets
ASSEMBLE_S_PER_HOUR, CAMPAIGN_H = 1.2, 200.0
MOST_TASKS = 200_000  # longer work is simulated by so many tasks and scaled


@dataclass(frozen=True, slots=True)
class Simulated:
    """What came of one simulation: hours by the clock, and the shares of it that storage and scheduler were at work."""

    hours: float
    storage_busy: float
    scheduler_busy: float


def simulate(workers: int, storage_bytes_per_s: float, hours_of_sound: float) -> Simulated:
    """The reading of so many hours of sound."""
    n_tasks = max(workers, round(hours_of_sound / TASK_HOURS))
    n = min(n_tasks, max(MOST_TASKS, 20 * workers))
    n_bytes = TASK_HOURS * BYTES_PER_HOUR
    compute_s = TASK_HOURS * COMPUTE_S_PER_HOUR
    ready = [0.0] * min(workers, n)
    scheduler = storage = 0.0
    for _ in range(n):
        at = heapq.heappop(ready)
        scheduler = max(scheduler, at) + SCHEDULER_S
        storage = max(storage, scheduler) + n_bytes / storage_bytes_per_s
        fetched = max(storage, scheduler + n_bytes / STREAM_BYTES_PER_S)
        heapq.heappush(ready, fetched + compute_s)
    end = max(ready)
    busy = n * n_bytes / storage_bytes_per_s / end
    return Simulated(end / 3600 * n_tasks / n, busy, n * SCHEDULER_S / end)


def main() -> None:
    """Print the table: hours of reading, share of the ideal, shares of time that storage and scheduler are busy."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 8, 64, 512])
    parser.add_argument("--storage", type=float, nargs="+", default=[0.2, 2.0, 20.0], help="GB/s")
    parser.add_argument("--terabytes", type=float, nargs="+", default=[10.0, 1000.0])
    asked = parser.parse_args()
    print("| data, TB | storage, GB/s | workers | reading, h | ideal | storage | scheduler | tables, h |")
    print("|---|---|---|---|---|---|---|---|")
    for terabytes in asked.terabytes:
        sound_h = terabytes * 1e12 / BYTES_PER_HOUR
        for storage in asked.storage:
            for workers in asked.workers:
                found = simulate(workers, storage * 1e9, sound_h)
                ideal_h = sound_h * COMPUTE_S_PER_HOUR / 3600 / workers
                campaigns = max(1, round(sound_h / CAMPAIGN_H))
                rounds = -(-campaigns // workers)
                tables_h = rounds * min(sound_h, CAMPAIGN_H) * ASSEMBLE_S_PER_HOUR / 3600
                print(
                    f"| {terabytes:g} | {storage:g} | {workers} | {found.hours:.3g} | {ideal_h / found.hours:.2f} | "
                    f"{found.storage_busy:.2f} | {found.scheduler_busy:.2f} | {tables_h:.3g} |"
                )


if __name__ == "__main__":
    main()
