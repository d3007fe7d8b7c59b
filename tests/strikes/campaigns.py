"""A small resolved campaign for the tests of this room; everything in it is invented."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from reconcile.vocabulary.documents.campaign import Campaign, Pile, PileStationRange, Settings, Station, System

START = datetime(2031, 3, 4, 10, 0, 0, tzinfo=UTC)
RANGES = {"NEAR": 750.0, "FAR": 3000.0}
SOUND_SPEED = 1500.0


def campaign(
    *, minutes: float = 3.0, n_piles: int = 1, methods: tuple[str, ...] = (), settings: Settings | None = None
) -> Campaign:
    """Piles P1, P2 ... one after the other, 20 minutes apart, heard at two stations."""
    piles = []
    for k in range(n_piles):
        start = START + timedelta(minutes=20 * k)
        method = methods[k] if methods else "impact"
        piles.append(
            Pile(
                pile_id=f"P{k + 1}",
                foundation_type="monopile",
                installation_method=method,  # type: ignore[arg-type]
                abatement="none",
                start_utc=start,
                end_utc=start + timedelta(minutes=minutes),
            )
        )
    stations = tuple(Station(id=s, system="H1", recordings="*.wav", mooring_id=s) for s in RANGES)
    ranges = tuple(
        PileStationRange(pile_id=p.pile_id, station_id=s, range_m=r, source="ranges.csv")
        for p in piles
        for s, r in RANGES.items()
    )
    return Campaign(
        name="Test",
        sound_speed_m_s=SOUND_SPEED,
        common_uncertainty_db=0.5,
        settings=settings or Settings(weightings=("nmfs-2024:LF",)),
        systems=(System(id="H1", end_to_end_sensitivity_db=-170.0, standard_uncertainty_db=0.7),),
        stations=stations,
        piles=tuple(piles),
        ranges=ranges,
    )


def epoch_s(moment: datetime) -> float:
    """Seconds since 1970 UTC."""
    return moment.timestamp()
