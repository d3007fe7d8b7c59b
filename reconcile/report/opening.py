"""The head of the page: what was measured, in figures and in one paragraph."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from reconcile.report.evidence import Evidence
from reconcile.report.formatting import count, day, length_of_time, metres
from reconcile.report.words import group_words


@dataclass(frozen=True, slots=True)
class Opening:
    """Figures with their names, the paragraph, and a line on where the results come from."""

    facts: tuple[tuple[str, str], ...]
    paragraph: str
    origin: str


def opening(evidence: Evidence) -> Opening:
    """What was measured: piles, stations, strikes heard, period."""
    strikes = evidence.strikes
    of_piles = strikes[strikes["pile_id"].notna()]
    heard = int(of_piles["strike_id"].nunique())
    stations = len({stream.station_id for stream in evidence.manifest.streams})
    facts = (
        (count(len(evidence.piles)), "pile" if len(evidence.piles) == 1 else "piles"),
        (count(stations), "station" if stations == 1 else "stations"),
        (count(heard), "strikes heard"),
        (length_of_time(_recorded_s(evidence)), "recorded at all stations together"),
    )
    return Opening(facts, _paragraph(evidence, heard, stations), _origin(evidence))


def _recorded_s(evidence: Evidence) -> float:
    return sum((stream.end_utc - stream.start_utc).total_seconds() for stream in evidence.manifest.streams)


def _paragraph(evidence: Evidence, heard: int, stations: int) -> str:
    groups = Counter(group_words(p.installation_method, p.foundation_type, p.abatement) for p in evidence.piles)
    piles = "; ".join(f"{n} × {group}" for group, n in groups.items())
    ranges = [r.range_m for r in evidence.campaign.ranges]
    where = f" at {metres(min(ranges))} m to {metres(max(ranges))} m from the piles" if ranges else ""
    logged = sum((evidence.campaign.n_logged or {}).values())
    beside = f"; the hammer log holds {count(logged)} blows" if logged else "; there is no hammer log"
    noun = "hydrophone" if stations == 1 else "hydrophones"
    what = f"{_plural(len(evidence.piles), 'installation')} ({piles})"
    return (
        f"The sound of {what} was recorded with {stations} {noun}{where}{_period(evidence)}."
        f" {_plural(heard, 'strike')} of the piles were heard at one station or more{beside}."
    )


def _plural(n: int, noun: str) -> str:
    return f"{count(n)} {noun}" if n == 1 else f"{count(n)} {noun}s"


def _period(evidence: Evidence) -> str:
    streams = evidence.manifest.streams
    if not streams:
        return ""
    first, last = day(min(s.start_utc for s in streams)), day(max(s.end_utc for s in streams))
    return f" on {first}" if first == last else f" between {first} and {last}"


def _origin(evidence: Evidence) -> str:
    stages: Sequence[str] = [
        f"{stage.stage} {day(stage.ended_utc)}" for stage in evidence.manifest.stages if stage.stage != "report"
    ]
    version = evidence.manifest.versions.get("reconcile")
    made = f"reconcile {version}" if version else "reconcile"
    return f"Made with {made}{': ' if stages else ''}{', '.join(stages)}"
