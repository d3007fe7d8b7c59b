"""What a campaign holds, in a few lines."""

from __future__ import annotations

from collections import Counter

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
    if campaign.deployments:
        stations_changed = len({row.station_id for row in campaign.deployments})
        changes, at = _count(len(campaign.deployments), "period"), _count(stations_changed, "station")
        lines.append(f"Deployments: {changes} at {at}")
    if campaign.tracks:
        tracked = len({point.station_id for point in campaign.tracks})
        lines.append(f"Tracks: {_count(len(campaign.tracks), 'point')} of {_count(tracked, 'station')}")
    return lines + [f"Note: {plain(note, longest=500)}" for note in campaign.notes]


def _blows(campaign: Campaign) -> str:
    if campaign.n_logged is None:
        return "no hammer log"
    without = [plain(p.pile_id) for p in campaign.piles if p.installation_method == "impact"]
    without = [pile_id for pile_id in without if not campaign.n_logged.get(pile_id)]
    total = f"{sum(campaign.n_logged.values())} logged"
    return f"{total}; none for {', '.join(without)}" if without else total


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"
