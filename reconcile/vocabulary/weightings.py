"""Published auditory weighting functions, one table for each version of the guidance.

The same two letters mean different animals in different versions (`nmfs-2018:HF` are porpoises, `nmfs-2024:HF`
most dolphins), so a weighting is always named with its set. Only groups in water are here: those in air have another
reference value (20 µPa).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from reconcile.vocabulary.errors import suggestion
from reconcile.vocabulary.quantities import FloatArray, level_db


@dataclass(frozen=True, slots=True)
class Guidance:
    """A version of published guidance: its name in settings and columns, its title in words, where the numbers stand.

    `standing` says whether the numbers were read in the source, or are recalled from memory.
    """

    name: str
    title: str
    source: str
    standing: Literal["read", "from memory"] = "read"


@dataclass(frozen=True, slots=True)
class Weighting:
    """Parameters of one group: exponents a and b, corner frequencies in Hz, gain C in dB."""

    guidance: str
    group: str
    animals: str
    a: float
    b: float
    f1_hz: float
    f2_hz: float
    gain_db: float

    @property
    def name(self) -> str:
        """The name used in input and tables, for example `nmfs-2024:LF`."""
        return f"{self.guidance}:{self.group}"

    @property
    def column(self) -> str:
        """The name's form in column names, for example `nmfs_2024_lf`."""
        return column_part(self.name)

    @property
    def label(self) -> str:
        """Group and version as a person reads them, for example `LF, NMFS 2024`."""
        return f"{self.group}, {GUIDANCE[self.guidance].title if self.guidance in GUIDANCE else self.guidance}"


_GUIDANCE = (
    Guidance("nmfs-2018", "NMFS 2018", "NMFS 2018, NOAA Tech. Memo. NMFS-OPR-59, version 2.0, Tables 3 and ES2, Eq. 1"),
    Guidance("southall-2019", "Southall et al. 2019", "Southall et al. 2019, Aquatic Mammals 45(2), Table 5, Eq. 2"),
    Guidance("nmfs-2024", "NMFS 2024", "NMFS 2024, technical guidance version 3.0, October 2024, Tables 5 and ES2"),
    Guidance("navy-2017", "US Navy 2017", "US Navy 2017, Phase III criteria, sea turtles", "from memory"),
)
GUIDANCE: dict[str, Guidance] = {guidance.name: guidance for guidance in _GUIDANCE}

_NMFS_2018 = (
    Weighting("nmfs-2018", "LF", "low-frequency cetaceans", 1.0, 2.0, 200.0, 19_000.0, 0.13),
    Weighting("nmfs-2018", "MF", "mid-frequency cetaceans", 1.6, 2.0, 8_800.0, 110_000.0, 1.20),
    Weighting("nmfs-2018", "HF", "high-frequency cetaceans, porpoises", 1.8, 2.0, 12_000.0, 140_000.0, 1.36),
    Weighting("nmfs-2018", "PW", "phocids in water", 1.0, 2.0, 1_900.0, 30_000.0, 0.75),
    Weighting("nmfs-2018", "OW", "otariids in water", 2.0, 2.0, 940.0, 25_000.0, 0.64),
)
_SOUTHALL_2019 = (
    Weighting("southall-2019", "LF", "low-frequency cetaceans", 1.0, 2.0, 200.0, 19_000.0, 0.13),
    Weighting("southall-2019", "HF", "high-frequency cetaceans", 1.6, 2.0, 8_800.0, 110_000.0, 1.20),
    Weighting("southall-2019", "VHF", "very-high-frequency cetaceans", 1.8, 2.0, 12_000.0, 140_000.0, 1.36),
    Weighting("southall-2019", "SI", "sirenians", 1.8, 2.0, 4_300.0, 25_000.0, 2.62),
    Weighting("southall-2019", "PCW", "phocid carnivores in water", 1.0, 2.0, 1_900.0, 30_000.0, 0.75),
    Weighting("southall-2019", "OCW", "other marine carnivores in water", 2.0, 2.0, 940.0, 25_000.0, 0.64),
)
# OW: the table prints C = 1.37 dB, a footnote of the same document 1.36; the table's is used.
_NMFS_2024 = (
    Weighting("nmfs-2024", "LF", "low-frequency cetaceans", 0.99, 5.0, 168.0, 26_600.0, 0.12),
    Weighting("nmfs-2024", "HF", "high-frequency cetaceans", 1.55, 5.0, 1_730.0, 129_000.0, 0.32),
    Weighting("nmfs-2024", "VHF", "very-high-frequency cetaceans", 2.23, 5.0, 5_930.0, 186_000.0, 0.91),
    Weighting("nmfs-2024", "PW", "phocids in water", 1.63, 5.0, 810.0, 68_300.0, 0.29),
    Weighting("nmfs-2024", "OW", "otariids in water", 1.58, 5.0, 2_530.0, 43_800.0, 1.37),
)
_NAVY_2017 = (Weighting("navy-2017", "TU", "sea turtles", 1.4, 2.0, 77.0, 440.0, 2.35),)
WEIGHTINGS: dict[str, Weighting] = {w.name: w for w in (*_NMFS_2018, *_SOUTHALL_2019, *_NMFS_2024, *_NAVY_2017)}


def groups_of(guidance: str) -> tuple[str, ...]:
    """Names of all weightings of a set, in the order of its table; none of an unknown set."""
    return tuple(name for name, weighting in WEIGHTINGS.items() if weighting.guidance == guidance)


def weighting_needed(name: str) -> tuple[str, str]:
    """What a weighting must be, and perhaps what was meant, where this name is neither one nor a whole set's."""
    guidance, colon, _ = name.partition(":")
    if name in WEIGHTINGS or name in GUIDANCE:
        return "", ""
    if colon and guidance in GUIDANCE:
        known = groups_of(guidance)
        return f"one of {', '.join(known)}", suggestion(name, known)
    sets = ", ".join(f"{g} ({', '.join(WEIGHTINGS[n].group for n in groups_of(g))})" for g in GUIDANCE)
    return f"a set, or a set and a group such as nmfs-2024:LF; sets and groups: {sets}", suggestion(name, WEIGHTINGS)


def with_sets_resolved(names: Iterable[str]) -> tuple[str, ...]:
    """Weightings with each name of a whole set (`southall-2019`) replaced by those of its groups, each once."""
    return tuple(dict.fromkeys(one for name in names for one in (groups_of(name) or (name,))))


def column_part(name: str) -> str:
    """`nmfs-2024:LF` as it stands in column names: `nmfs_2024_lf`."""
    return name.lower().replace("-", "_").replace(":", "_")


def power_response(weighting: Weighting, frequency_hz: ArrayLike) -> FloatArray:
    """Weighting as a factor on energy, 10^(W/10), at frequencies in Hz (0 at 0 Hz).

    W(f) = C + 10 lg{ (f/f1)^(2a) / ([1 + (f/f1)²]^a [1 + (f/f2)²]^b) }   NMFS 2018 and 2024, Eq. 1; Southall Eq. 2
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    x1, x2 = (f / weighting.f1_hz) ** 2, (f / weighting.f2_hz) ** 2
    shape = x1**weighting.a / ((1.0 + x1) ** weighting.a * (1.0 + x2) ** weighting.b)  # Eq. 1
    return np.asarray(10.0 ** (weighting.gain_db / 10.0) * shape)


def peak_frequency_hz(weighting: Weighting) -> float:
    """Frequency in Hz at which the weighting is greatest, within 0.1 %."""
    frequency = np.geomspace(weighting.f1_hz / 10.0, weighting.f2_hz * 10.0, 20_001)
    return float(frequency[int(np.argmax(power_response(weighting, frequency)))])


def weighting_db(weighting: Weighting, frequency_hz: ArrayLike) -> FloatArray:
    """Weighting W(f) in dB at frequencies in Hz."""
    return level_db(power_response(weighting, frequency_hz))
