"""Who and what is in the invented wind farm: piles, chains, recorders, stations, sessions, predictions.

Everything is invented: names, places, people. Positions are a bearing and a geodesic distance from the near mooring.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from geographiclib.geodesic import Geodesic

from .source import StruckPile

ORIGIN_DEG = (55.873, 4.618)
SOUND_SPEED_M_S = 1490.0
BOTTOM_SPEED_M_S = 1660.0


@dataclass(frozen=True)
class Place:
    """A place by bearing (degrees from north) and distance from the near mooring."""

    bearing_deg: float
    distance_m: float

    def position_deg(self) -> tuple[float, float]:
        """Latitude and longitude on WGS 84, to the 7 decimals that are written (1 cm)."""
        end = Geodesic.WGS84.Direct(*ORIGIN_DEG, self.bearing_deg, self.distance_m)
        return round(end["lat2"], 7), round(end["lon2"], 7)


def range_between_m(one: Place, other: Place) -> float:
    """Geodesic distance."""
    return float(Geodesic.WGS84.Inverse(*one.position_deg(), *other.position_deg())["s12"])


@dataclass(frozen=True)
class Pile:
    """One row of piles.csv, and how it is driven."""

    pile_id: str
    place: Place
    water_depth_m: float
    foundation_type: str
    diameter_m: float
    rated_energy_kj: float
    source: StruckPile
    installation_method: Literal["impact", "vibratory"] = "impact"
    abatement: str = "none"
    prediction_id: str = ""
    first_strike_s: float = 8.0
    """From the start of the session; for a vibratory hammer its start."""
    last_strike_s: float = 134.0
    blows_per_minute: float = 36.0
    energies_kj: tuple[float, float] = (600.0, 2200.0)
    """At the first strike, and after the soft start."""
    soft_start_strikes: int = 26


@dataclass(frozen=True)
class System:
    """A measuring chain as its certificate states it: volts and gain, or one end-to-end number."""

    system_id: str
    standard_uncertainty_db: float
    sensitivity_db: float | None = None
    gain_db: float = 0.0
    full_scale_v: float = 1.0
    end_to_end_sensitivity_db: float | None = None


@dataclass(frozen=True)
class Recorder:
    """A recorder: one file series, one or more channels."""

    recorder_id: str
    rate_hz: int
    bits: int
    clock_error_s: float
    """Its clock minus UTC; stated nowhere in the campaign."""
    floor_db: float
    """White self-noise, dB re 1 uPa^2/Hz."""
    extensible: bool = False
    bext: bool = False


@dataclass(frozen=True)
class Station:
    """A hydrophone in the water."""

    station_id: str
    place: Place
    system: System
    recorder: Recorder
    channel: int
    hydrophone_depth_m: float
    water_depth_m: float
    ambient_level_db: float
    swell_pa: float = 12.0


@dataclass(frozen=True)
class Ship:
    """A vessel that passes one station during one session."""

    station_id: str
    level_db: float
    closest_s: float
    half_width_s: float


@dataclass(frozen=True)
class Session:
    """A stretch of recording, the same at all stations, in which one or more piles are worked on."""

    start_utc: datetime
    duration_s: int
    n_files: int
    piles: tuple[Pile, ...]
    ship: Ship | None = None


@dataclass(frozen=True)
class PredictedGroup:
    """What the modeller predicted for a group of piles, and by how much the tables are made wrong."""

    prediction_id: str
    pile_ids: tuple[str, ...]
    energy_kj: float
    abatement: str
    offset_db: float
    """Bias (predicted minus true) at 750 m."""
    slope_db_per_decade: float
    highest_range_m: float = 8000.0


@dataclass(frozen=True)
class Site:
    """A whole campaign."""

    name: str
    common_uncertainty_db: float
    stations: tuple[Station, ...]
    sessions: tuple[Session, ...]
    groups: tuple[PredictedGroup, ...]
    stated_ranges: tuple[tuple[str, str], ...] = ()
    """Pile and station of the distances that ranges.csv gives."""

    @property
    def piles(self) -> tuple[Pile, ...]:
        """All piles in the order in which they are worked on."""
        return tuple(pile for session in self.sessions for pile in session.piles)

    @property
    def systems(self) -> tuple[System, ...]:
        """The chains of all stations."""
        return tuple(station.system for station in self.stations)


MODEL_ID = "wg-2024.1 (invented)"
MONOPILE_PA_M_HZ, JACKET_PA_M_HZ = 1.25e4, 0.8e4


def monopile_source(diameter_m: float, *, curtain: bool = False) -> StruckPile:
    """A monopile; its strength grows with its diameter."""
    return StruckPile(MONOPILE_PA_M_HZ * diameter_m / 10.0, 2000.0, 85.0, 30.0, curtain=curtain)


JACKET_SOURCE = StruckPile(JACKET_PA_M_HZ, 600.0, 70.0, 35.0, low_hz=120.0, middle_hz=350.0, high_hz=1600.0)


def monopile(pile_id: str, place: Place, depth_m: float, diameter_m: float, full_kj: float) -> Pile:
    """An unabated monopile of the full demonstration."""
    source = monopile_source(diameter_m)
    return Pile(
        pile_id, place, depth_m, "monopile", diameter_m, 3000.0, source,
        prediction_id="MONOPILE", energies_kj=(600.0, full_kj),
    )  # fmt: skip


def full_stations() -> tuple[Station, ...]:
    """Five hydrophones: two on the near mooring, one each at about 1.5, 3 and 6 km."""
    near = Recorder("NEAR", 48000, 24, 0.037, 44.0)
    middle = Recorder("MIDDLE", 44100, 24, -0.052, 42.0, extensible=True)
    north = Recorder("NORTH", 48000, 24, 0.021, 40.0, bext=True)
    far = Recorder("FAR", 32000, 16, -0.018, 38.0)
    low = System("H101", 0.6, sensitivity_db=-211.2, gain_db=10.0, full_scale_v=5.0)
    high = System("H102", 0.6, sensitivity_db=-210.7, gain_db=10.0, full_scale_v=5.0)
    mooring, east, distant = Place(0.0, 0.0), Place(62.0, 1010.0), Place(24.0, 5080.0)
    return (
        Station("S1L", mooring, low, near, 1, 20.0, 30.5, 109.0),
        Station("S1U", mooring, high, near, 2, 12.0, 30.5, 109.0, 18.0),
        Station("S2", east, System("H2", 0.7, end_to_end_sensitivity_db=-206.5), middle, 1, 18.0, 31.0, 107.5),
        Station("S3", Place(348.0, 2380.0), System("H3", 0.5, -196.4, 0.0, 2.5), north, 1, 19.0, 33.0, 106.0),
        Station("S4", distant, System("H4", 0.8, end_to_end_sensitivity_db=-189.0), far, 1, 20.0, 35.0, 105.0),
    )  # fmt: skip


def full_site() -> Site:
    """The full demonstration: four monopiles, one of them behind a curtain, and a jacket pile started by vibration."""
    curtain = Pile(
        "M03", Place(241.0, 760.0), 33.0, "monopile", 10.2, 3000.0, monopile_source(10.2, curtain=True),
        abatement="double bubble curtain", prediction_id="MONOPILE-CURTAIN", energies_kj=(650.0, 2400.0),
    )  # fmt: skip
    corner, hammer_kj = Place(262.0, 900.0), 800.0
    vibrated = Pile(
        "J01-V", corner, 39.0, "jacket", 3.0, hammer_kj, JACKET_SOURCE, "vibratory",
        first_strike_s=10.0, last_strike_s=82.0,
    )  # fmt: skip
    struck = Pile(
        "J01", corner, 39.0, "jacket", 3.0, hammer_kj, JACKET_SOURCE, prediction_id="JACKET", first_strike_s=105.0,
        last_strike_s=212.0, blows_per_minute=55.0, energies_kj=(180.0, 600.0), soft_start_strikes=22,
    )  # fmt: skip
    ship = Ship("S4", 144.0, 78.0, 12.0)
    days = [datetime(2031, 5, day, hour, minute, tzinfo=UTC) for day, hour, minute in
            ((12, 8, 30), (12, 15, 5), (12, 21, 40), (13, 4, 10), (13, 11, 55))]  # fmt: skip
    return Site(
        "Merrow Bank, demonstration (invented)",
        0.4,
        full_stations(),
        (
            Session(days[0], 140, 2, (monopile("M01", Place(203.0, 520.0), 27.0, 9.8, 2200.0),)),
            Session(days[1], 140, 2, (monopile("M02", Place(151.0, 790.0), 31.0, 10.4, 2600.0),), ship),
            Session(days[2], 140, 2, (curtain,)),
            Session(days[3], 140, 2, (monopile("M04", Place(182.0, 1060.0), 36.0, 10.0, 2000.0),)),
            Session(days[4], 220, 3, (vibrated, struck)),
        ),
        (
            PredictedGroup("MONOPILE", ("M01", "M02", "M04"), 2200.0, "none", 4.5, 1.5),
            PredictedGroup("MONOPILE-CURTAIN", ("M03",), 2200.0, "double bubble curtain", 4.5, 1.5),
            PredictedGroup("JACKET", ("J01",), 600.0, "none", -1.0, 0.0),
        ),
    )


def sample_site() -> Site:
    """The small sample: three short monopile drives at four hydrophones, low sampling rates."""
    near = Recorder("NEAR", 16000, 16, 0.031, 50.0)
    middle = Recorder("MIDDLE", 22050, 16, -0.044, 48.0, extensible=True)
    north = Recorder("NORTH", 16000, 16, 0.016, 46.0, bext=True)
    low = System("H101", 0.6, sensitivity_db=-211.2, gain_db=10.0, full_scale_v=5.0)
    high = System("H102", 0.6, sensitivity_db=-210.7, gain_db=10.0, full_scale_v=5.0)
    mooring, east = Place(0.0, 0.0), Place(62.0, 1010.0)
    stations = (
        Station("S1L", mooring, low, near, 1, 20.0, 30.5, 109.0),
        Station("S1U", mooring, high, near, 2, 12.0, 30.5, 109.0),
        Station("S2", east, System("H2", 0.7, end_to_end_sensitivity_db=-206.5), middle, 1, 18.0, 31.0, 107.5),
        Station("S3", Place(348.0, 2380.0), System("H3", 0.5, -196.4, 0.0, 2.5), north, 1, 19.0, 33.0, 106.0),
    )  # fmt: skip
    rows = (("M11", Place(203.0, 520.0), 28.0, 9.8, 2000.0), ("M12", Place(151.0, 790.0), 31.0, 10.4, 2400.0),
            ("M13", Place(182.0, 1060.0), 34.0, 10.0, 1800.0))  # fmt: skip
    sessions = [
        Session(
            datetime(2031, 6, 2 + day, 9, 15, tzinfo=UTC), 26, 2,
            (Pile(pile_id, place, depth_m, "monopile", diameter_m, 3000.0, monopile_source(diameter_m),
                  prediction_id="MONOPILE", first_strike_s=2.5, last_strike_s=22.4, blows_per_minute=46.0,
                  energies_kj=(900.0, full_kj), soft_start_strikes=5),),
        )
        for day, (pile_id, place, depth_m, diameter_m, full_kj) in enumerate(rows)
    ]  # fmt: skip
    return Site(
        "Merrow Bank, small sample (invented)",
        0.4,
        stations,
        tuple(sessions),
        (PredictedGroup("MONOPILE", ("M11", "M12", "M13"), 2000.0, "none", 4.5, 1.5),),
        (("M11", "S1L"), ("M11", "S1U")),
    )
