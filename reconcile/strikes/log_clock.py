"""How a pile's hammer log lies against the stations' clocks: offset and drift with their doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reconcile.strikes.alignment import align
from reconcile.strikes.offset_search import Search
from reconcile.strikes.sessions import LARGEST_LOG_OFFSET_S
from reconcile.strikes.trains import Indices, Line, Train, resolution_s, train
from reconcile.vocabulary.quantities import FloatArray

_SEVERAL_PILES_WITHIN_S = 0.08
_JOINED_S, _DRIFT_LATER = 0.1, 1e-5  # how well a log's offset is known from earlier driving, and for each second since


@dataclass(frozen=True, slots=True)
class LogClock:
    """How a pile's hammer log lies against the stations' mean stated clock: log = station time + offset + drift.

    The offset is that at the pile's first matched blow. `confidence`: the probability of this alignment among all that
    were tried. `resolution_s`: the step to which the log's times were rounded, 0 where finer than 0.01 s; it is not
    known whether they were rounded or cut, and the offset's error holds that doubt.
    """

    pile_id: str
    offset_s: float
    drift_ppm: float
    residual_sd_s: float
    n_blows: int
    n_matched: int
    ambiguous: bool
    offset_standard_error_s: float = np.nan
    drift_standard_error_ppm: float = np.nan
    confidence: float = np.nan
    resolution_s: float = 0.0


@dataclass(frozen=True, slots=True)
class LogLine:
    """A log's line, piece by piece where the pile was struck again later; jitter of its times before they were rounded.

    `from_s`: the first logged time of each piece, in order.
    """

    lines: tuple[Line, ...]
    from_s: tuple[float, ...]
    jitter_s: float
    resolution_s: float

    def station_s(self, logged_s: FloatArray) -> FloatArray:
        """Logged times on the stations' mean clock."""
        piece = np.maximum(np.searchsorted(np.array(self.from_s), logged_s, side="right") - 1, 0)
        at_s = logged_s.copy()
        for k, line in enumerate(self.lines):
            here = piece == k
            at_s[here] -= line.at(logged_s[here] - line.offset_s)
        return at_s

    def with_piece(self, later: LogLine) -> LogLine:
        """This line with another piece."""
        order = np.argsort((*self.from_s, *later.from_s), kind="stable").tolist()
        lines, starts = (*self.lines, *later.lines), (*self.from_s, *later.from_s)
        jitter_s = max(self.jitter_s, later.jitter_s)
        return LogLine(tuple(lines[k] for k in order), tuple(starts[k] for k in order), jitter_s, self.resolution_s)

    def known_at(self, logged_s: float) -> tuple[float, float]:
        """Offset expected of the log at some time, and its standard uncertainty."""
        nearest = min(self.lines, key=lambda line: abs(line.origin_s + line.offset_s - logged_s))
        gap_s = abs(nearest.origin_s + nearest.offset_s - logged_s)
        return nearest.offset_s, float(np.hypot(_JOINED_S, _DRIFT_LATER * gap_s))


def energy_levels_db(energy_kj: FloatArray) -> FloatArray:
    """Ten times the logarithm of energies in kJ; NaN where there is none."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(energy_kj > 0, 10.0 * np.log10(energy_kj), np.nan)


def log_clock(
    pile_id: str,
    strikes: Train,
    logged: Indices,
    energy_kj: FloatArray,
    *,
    alone: bool = True,
    known: LogLine | None = None,
) -> tuple[LogClock, LogLine | None]:
    """Match a log with strikes. `logged`: its times in microseconds, in order; `energy_kj` NaN where not logged.

    The line is None where nothing pairs. `alone` is false where strikes of another pile are among them; `known` is what
    earlier driving of the pile says of the log.
    """
    step_s = resolution_s(logged)
    levels = energy_levels_db(energy_kj) if alone else np.full(len(logged), np.nan)
    within_s = np.inf if alone else step_s / 2.0 + _SEVERAL_PILES_WITHIN_S
    centre_s, prior_s = (0.0, np.inf) if known is None else known.known_at(float(logged[0]) / 1e6)
    search = Search(LARGEST_LOG_OFFSET_S + 0.5 + abs(centre_s), centre_s, prior_s, step_s, within_s)
    found = align([(strikes, train(logged / 1e6, levels))], search)
    if found is None:
        return LogClock(pile_id, 0.0, 0.0, np.nan, len(logged), 0, True, resolution_s=step_s), None
    convention = step_s / np.sqrt(12.0) if step_s > 0.05 else 0.0
    clock = LogClock(
        pile_id=pile_id,
        offset_s=found.line.offset_s,
        drift_ppm=found.line.drift * 1e6,
        residual_sd_s=found.spread_s,
        n_blows=len(logged),
        n_matched=found.n_matched,
        ambiguous=not found.decided,
        offset_standard_error_s=float(np.hypot(found.offset_error_s, convention)),
        drift_standard_error_ppm=found.drift_error * 1e6,
        confidence=found.confidence,
        resolution_s=step_s,
    )
    return clock, LogLine((found.line,), (float(logged[0]) / 1e6,), found.jitter_s, step_s)
