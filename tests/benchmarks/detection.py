"""Strikes found and invented: the first pass beside a general-purpose trigger, on the same recordings.

`python -m tests.benchmarks.detection` (needs obspy, which is no dependency of the project: `pip install obspy`). The
trigger is the recursive short-term over long-term average of the squared sound (50 ms, 10 s), at whichever of six
thresholds serves it best on each recording, which no user could know; a find within 50 ms of a strike counts.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from obspy.signal.trigger import recursive_sta_lta, trigger_onset

from tests.strikes.faint_corpus import RATE_HZ, Faint, faint_strikes, first_pass, found_and_invented

SEED, STRIKES = 90701, 300
LEVELS_DB = (20.0, 10.0, 6.0, 3.0, 0.0)
THRESHOLDS = (2.0, 3.0, 4.0, 6.0, 10.0, 20.0)
SHORT_S, LONG_S, APART_S = 0.05, 10.0, 0.4


def triggered_s(sound: np.ndarray, threshold: float) -> np.ndarray:
    """Onsets (s) of the trigger; what follows within 400 ms belongs to the one before."""
    ratio = recursive_sta_lta(sound, round(SHORT_S * RATE_HZ), round(LONG_S * RATE_HZ))
    starts = [start / RATE_HZ for start, _ in trigger_onset(ratio, threshold, 0.5 * threshold)]
    kept: list[float] = []
    for start in starts:
        if not kept or start - kept[-1] >= APART_S:
            kept.append(start)
    return np.array(kept)


def scores(found_s: np.ndarray, truth: Faint) -> tuple[float, float]:
    """Recall and precision."""
    found, invented = found_and_invented(found_s, truth.onset_s)
    return found / truth.onset_s.size, found / max(1, found + invented)


def best_of_trigger(truth: Faint) -> tuple[float, float]:
    """Recall and precision at the threshold with the largest harmonic mean of both."""
    tried = [scores(triggered_s(truth.sound, threshold), truth) for threshold in THRESHOLDS]
    return max(tried, key=lambda rp: 2 * rp[0] * rp[1] / max(1e-9, rp[0] + rp[1]))


def main() -> None:
    """Print the table."""
    print(
        "| noise, strikes | signal to noise | first pass: recall, precision | trigger at its best: recall, precision |"
    )
    print("|---|---|---|---|")
    for noise, kind in (("white", "waveguide"), ("sea", "waveguide")):
        for snr_db in LEVELS_DB:
            truth = faint_strikes(SEED, STRIKES, snr_db, noise=noise, kind=kind)
            with tempfile.TemporaryDirectory() as folder:
                own = scores(first_pass(Path(folder), truth.sound).found_s(), truth)
            other = best_of_trigger(truth)
            print(f"| {noise}, {kind} | {snr_db:g} dB | {own[0]:.3f}, {own[1]:.3f} | {other[0]:.3f}, {other[1]:.3f} |")


if __name__ == "__main__":
    main()
