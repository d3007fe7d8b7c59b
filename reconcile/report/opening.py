"""The head of the page: what was measured, in figures and in one paragraph."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from reconcile.report.evidence import Evidence
from reconcile.report.formatting import count, day, length_of_time, metres
from reconcile.report.words import group_words
from reconcile.vocabulary.documents.campaign import Pile

_ONE_PILE_M = 1.0  # operations within it are on one pile
_METRES_PER_DEGREE = 111_195.0  # of latitude, on a sphere: near enough for a metre


@dataclass(frozen=True, slots=True)
class Opening:
    """Figures with their names, the paragraph, and a line on where the results come from."""

    facts: tuple[tuple[str, str], ...]
    paragraph: str
    origin: str


def opening(evidence: Evidence) -> Opening:
    """What was measured: piles, stations, strikes heard, period."""
    stations = len({stream.station_id for stream in evidence.manifest.streams})
    heard, unlogged = _heard(evidence)
    logged = sum((evidence.campaign.n_logged or {}).values())
    facts = (
        (count(len(evidence.piles)), _operations(evidence.piles)),
        (count(stations), "station" if stations == 1 else "stations"),
        (count(heard), f"strikes heard, {count(logged)} blows logged" if logged else "strikes heard"),
        (_recorded(evidence), "recorded at each station"),
    )
    strikes = f"{_plural(heard, 'strike')} of the piles were heard at one station or more"
    counted = evidence.blow_counts is not None and not evidence.blow_counts.empty
    each = " Those of each pile stand under “Blows: logged and heard”." if counted else ""
    paragraph = f"{_sentence(evidence, stations)} {strikes}; {_beside(logged, unlogged)}.{each}"
    return Opening(facts, paragraph, _origin(evidence))


def _heard(evidence: Evidence) -> tuple[int, int]:
    """Strikes of the piles heard at one station or more, and those of them without a blow of the log."""
    struck = evidence.struck[["strike_id", "pile_id", "flags"]]
    strikes = struck[struck["pile_id"].notna()]
    flags = strikes["flags"]
    heard = strikes[~flags.map(lambda own: "not_heard" in own).to_numpy(dtype=bool)]
    of_log = heard[heard["pile_id"].isin(set(evidence.campaign.n_logged or {}))]
    unlogged = of_log[of_log["flags"].map(lambda own: "not_in_log" in own).to_numpy(dtype=bool)]
    return int(heard["strike_id"].nunique()), int(unlogged["strike_id"].nunique())


def _beside(logged: int, unlogged: int) -> str:
    """What the hammer log holds, and what it does not."""
    if not logged:
        return "there is no hammer log"
    missing = f"{_plural(unlogged, 'strike')} heard {'is' if unlogged == 1 else 'are'} not in it"
    because = "blows that were not logged, or sounds taken for strikes; marked “not in log”"
    return f"the hammer log holds {_plural(logged, 'blow')}{f'; {missing} ({because})' if unlogged else ''}"


def _operations(piles: Sequence[Pile]) -> str:
    """What the number of rows of piles.csv counts: piles, or operations of which several may be on one pile."""
    noun = "piling operation" if len(piles) == 1 else "piling operations"
    places = _places(piles)
    if places is None:
        return noun
    if places == len(piles):
        return "pile" if places == 1 else "piles"
    return f"{noun} on {places} {'pile' if places == 1 else 'piles'}"


def _places(piles: Sequence[Pile]) -> int | None:
    """How many positions there are more than a metre apart; None where one is not known."""
    found: list[tuple[float, float]] = []
    for pile in piles:
        if pile.latitude_deg is None or pile.longitude_deg is None:
            return None
        north, east = pile.latitude_deg, pile.longitude_deg * math.cos(math.radians(pile.latitude_deg))
        if all(math.hypot(north - n, east - e) * _METRES_PER_DEGREE > _ONE_PILE_M for n, e in found):
            found.append((north, east))
    return len(found)


def _recorded(evidence: Evidence) -> str:
    """How long a station recorded: one length, or the shortest and the longest."""
    seconds: dict[str, float] = {}
    for stream in evidence.manifest.streams:
        length = (stream.end_utc - stream.start_utc).total_seconds()
        seconds[stream.station_id] = seconds.get(stream.station_id, 0.0) + length
    if not seconds:
        return "nothing"
    shortest, longest = (length_of_time(pick(seconds.values())) for pick in (min, max))
    return shortest if shortest == longest else f"{shortest} to {longest}"


def _sentence(evidence: Evidence, stations: int) -> str:
    groups = Counter(group_words(p.installation_method, p.foundation_type, p.abatement) for p in evidence.pile_states)
    piles = "; ".join(f"{n} × {group}" for group, n in groups.items())
    ranges = [r.range_m for r in evidence.campaign.ranges]
    where = f" at {metres(min(ranges))} m to {metres(max(ranges))} m from the piles" if ranges else ""
    noun = "hydrophone" if stations == 1 else "hydrophones"
    what = f"{count(len(evidence.piles))} {_operations(evidence.piles)} ({piles})"
    return f"The sound of {what} was recorded with {stations} {noun}{where}{_period(evidence)}."


def _plural(n: int, noun: str) -> str:
    return f"{count(n)} {noun}" if n == 1 else f"{count(n)} {noun}s"


def _period(evidence: Evidence) -> str:
    streams = evidence.manifest.streams
    if not streams:
        return ""
    first, last = day(min(s.start_utc for s in streams)), day(max(s.end_utc for s in streams))
    return f" on {first}" if first == last else f" between {first} and {last}"


def _origin(evidence: Evidence) -> str:
    """By what the results were made; when stands in the manifest, so that the page is the same whenever it is made."""
    version = evidence.manifest.versions.get("reconcile")
    return f"Made with {f'reconcile {version}' if version else 'reconcile'}"
