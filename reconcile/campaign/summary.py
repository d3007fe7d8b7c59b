"""What a campaign holds, in a few lines."""

from __future__ import annotations

from collections import Counter

from reconcile.campaign.activity_periods import states
from reconcile.campaign.faults import plain
from reconcile.vocabulary.documents.campaign import Campaign


def summary_lines(campaign: Campaign) -> list[str]:
    """The lines that `reconcile check` prints where all is well: counts, then notes. Safe to print."""
    stations = [f"{plain(s.id)} {_count(campaign.n_recordings.get(s.id, 0), 'file')}" for s in campaign.stations]
    piles = Counter((p.installation_method, p.foundation_type) for p in campaign.piles)
    kinds = [f"{n} {foundation} {method}" for (method, foundation), n in sorted(piles.items())]
    lines = [
        f"Campaign: {plain(campaign.name)}",
        f"Systems: {len(campaign.systems)}",
        f"Stations: {len(campaign.stations)} ({', '.join(stations)})",
        f"Piles: {len(campaign.piles)} ({', '.join(kinds)})",
        f"Blows: {_blows(campaign)}",
        f"Predictions: {_count(len(campaign.predictions), 'level')}, "
        f"{_count(len(campaign.predicted_ranges), 'distance')}",
    ]
    if campaign.activities:
        of = _count(len({activity.pile_id for activity in campaign.activities}), "pile")
        lines.append(f"Activities: {len(campaign.activities)} of {of} ({_kinds(campaign)})")
    if campaign.driving_log:
        blows = sum(increment.n_blows for increment in campaign.driving_log)
        of = _count(len({increment.pile_id for increment in campaign.driving_log}), "pile")
        lines.append(f"Driving log: {_count(len(campaign.driving_log), 'increment')} of {of}, {blows} blows")
    if campaign.deployments:
        stations_changed = len({row.station_id for row in campaign.deployments})
        changes, at = _count(len(campaign.deployments), "period"), _count(stations_changed, "station")
        lines.append(f"Deployments: {changes} at {at}")
    if campaign.tracks:
        tracked = len({point.station_id for point in campaign.tracks})
        lines.append(f"Tracks: {_count(len(campaign.tracks), 'point')} of {_count(tracked, 'station')}")
    if campaign.criteria:
        sets = Counter(criterion.criteria_set for criterion in campaign.criteria)
        lines.append(f"Thresholds and limits: {', '.join(f'{plain(name)} ({n})' for name, n in sets.items())}")
    return lines + [f"Note: {plain(note, longest=500)}" for note in campaign.notes]


def _kinds(campaign: Campaign) -> str:
    """How many activities there are of each method and abatement."""
    kinds = Counter((a.installation_method, a.abatement) for a in campaign.activities)
    return ", ".join(f"{n} {method}, abatement {plain(state)}" for (method, state), n in sorted(kinds.items()))


def _blows(campaign: Campaign) -> str:
    if campaign.n_logged is None:
        return "no hammer log"
    struck = [p.pile_id for p in campaign.piles if any(s.installation_method == "impact" for s in states(campaign, p))]
    without = [plain(pile_id) for pile_id in struck if not campaign.n_logged.get(pile_id)]
    total = f"{sum(campaign.n_logged.values())} logged"
    return f"{total}; none for {', '.join(without)}" if without else total


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
