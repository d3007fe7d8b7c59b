"""Published auditory weighting functions, one table for each version of the guidance.

The same two letters mean different animals in different versions (`nmfs-2018:HF` are porpoises, `nmfs-2024:HF`
most dolphins), so a weighting is always named with its set.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reconcile.vocabulary.quantities import FloatArray, level_db


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


# NMFS 2024: Update to technical guidance for assessing the effects of anthropogenic sound on marine mammal hearing,
# version 3.0, October 2024, Tables 5 and ES2. OW: the table prints C = 1.37 dB, a footnote 1.36; the table's is used.
_NMFS_2024 = (
    Weighting("nmfs-2024", "LF", "low-frequency cetaceans", 0.99, 5.0, 168.0, 26_600.0, 0.12),
    Weighting("nmfs-2024", "HF", "high-frequency cetaceans", 1.55, 5.0, 1_730.0, 129_000.0, 0.32),
    Weighting("nmfs-2024", "VHF", "very-high-frequency cetaceans", 2.23, 5.0, 5_930.0, 186_000.0, 0.91),
    Weighting("nmfs-2024", "PW", "phocids in water", 1.63, 5.0, 810.0, 68_300.0, 0.29),
    Weighting("nmfs-2024", "OW", "otariids in water", 1.58, 5.0, 2_530.0, 43_800.0, 1.37),
)
WEIGHTINGS: dict[str, Weighting] = {w.name: w for w in _NMFS_2024}


def column_part(name: str) -> str:
    """`nmfs-2024:LF` as it stands in column names: `nmfs_2024_lf`."""
    return name.lower().replace("-", "_").replace(":", "_")


def power_response(weighting: Weighting, frequency_hz: ArrayLike) -> FloatArray:
    """Weighting as a factor on energy, 10^(W/10), at frequencies in Hz (0 at 0 Hz).

    W(f) = C + 10 lg{ (f/f1)^(2a) / ([1 + (f/f1)²]^a [1 + (f/f2)²]^b) }   NMFS 2024, Eq. 1
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    x1, x2 = (f / weighting.f1_hz) ** 2, (f / weighting.f2_hz) ** 2
    shape = x1**weighting.a / ((1.0 + x1) ** weighting.a * (1.0 + x2) ** weighting.b)  # Eq. 1
    return np.asarray(10.0 ** (weighting.gain_db / 10.0) * shape)


def weighting_db(weighting: Weighting, frequency_hz: ArrayLike) -> FloatArray:
    """Weighting W(f) in dB at frequencies in Hz."""
    return level_db(power_response(weighting, frequency_hz))
