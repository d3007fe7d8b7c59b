"""Decidecade bands (base-10 one-third-octave bands) of IEC 61260-1:2014.

The exact centre of band *n* is 10^(n/10) Hz and its edges are 10^(∓1/20) of that. Nominal frequencies are labels
only; nothing is computed with them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

_NOMINAL_IN_DECADE = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)  # usual rounded labels
HALF_BAND = 10.0**0.05  # edge over centre


def centre_hz(n: int) -> float:
    """Exact centre frequency of band *n*: 10^(n/10) Hz (IEC 61260-1:2014, eq. 2, with G = 10^0.3)."""
    return float(10.0 ** (n / 10.0))


def lower_edge_hz(n: int) -> float:
    """Lower edge frequency of band *n* in Hz."""
    return float(10.0 ** ((n - 0.5) / 10.0))


def upper_edge_hz(n: int) -> float:
    """Upper edge frequency of band *n* in Hz; the lower edge of band *n* + 1."""
    return lower_edge_hz(n + 1)


def nominal_hz(n: int) -> float:
    """Nominal frequency, the label of band *n*: 31.5, 63, 1000, 3150 and so on."""
    decade, step = divmod(n, 10)
    return float(f"{_NOMINAL_IN_DECADE[step] * 10.0**decade:.10g}")


def band_number(nominal: float) -> int:
    """Number *n* of the band with this nominal frequency.

    Raises ValueError where the frequency is not the label of a decidecade band.
    """
    if not (math.isfinite(nominal) and nominal > 0):
        raise ValueError(f"{nominal} is not the nominal frequency of a decidecade band")
    n = round(10.0 * math.log10(nominal))
    if not math.isclose(nominal_hz(n), nominal, rel_tol=1e-9):
        raise ValueError(f"{nominal:g} Hz is not nominal; the nearest decidecade band is {nominal_hz(n):g} Hz")
    return n


def label(n: int) -> str:
    """The band's part of a column name: `31_5hz`, `1000hz`."""
    return f"{nominal_hz(n):.10g}".replace(".", "_") + "hz"


def bands_within(lowest_hz: float, highest_hz: float) -> tuple[int, ...]:
    """Numbers of the bands whose exact centre lies between two frequencies (1 % tolerance)."""
    first = math.ceil(10.0 * math.log10(lowest_hz / 1.01) - 1e-9)
    last = math.floor(10.0 * math.log10(highest_hz * 1.01) + 1e-9)
    return tuple(range(first, last + 1))


def edges_hz(bands: Iterable[int]) -> tuple[float, ...]:
    """The edges of consecutive bands: one more than there are bands."""
    numbers = list(bands)
    return (*(lower_edge_hz(n) for n in numbers), upper_edge_hz(numbers[-1])) if numbers else ()
