"""Kurtosis of a minute as a grade of impulsiveness: values that circulate, with their source and how they are known."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class KurtosisBound:
    """A kurtosis (Pearson's) over windows of `window_s` and what it is said to mean. Nothing is decided by it."""

    kurtosis: float
    window_s: float
    meaning: str
    source: str
    standing: str  # read, from memory, or closed form


KURTOSIS_BOUNDS = (
    KurtosisBound(3.0, 60.0, "Gaussian noise; at or below it not impulsive", "closed form", "closed form"),
    KurtosisBound(
        40.0,
        60.0,
        "above it fully impulsive; from 3 to 40 in between",
        "Martin et al. 2020, J. Acoust. Soc. Am. 147(4), 2159, after Hamernik et al. 2007 (chinchilla, in air)",
        "from memory",
    ),
)
