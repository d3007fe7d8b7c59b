"""Components of uncertainty and how they combine (JCGM 100:2008, the GUM).

A component knows to whom it is common. What is each strike's own averages out over strikes; what a measuring chain or
the whole campaign has in common does not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum


class Tier(StrEnum):
    """To whom a component is common."""

    STRIKE = "strike"
    SYSTEM = "system"
    CAMPAIGN = "campaign"


@dataclass(frozen=True, slots=True)
class Component:
    """A standard uncertainty (in the unit of the result; here dB) with its degrees of freedom.

    `counted` is false for what is already in another component, or does not enter a level by itself.
    """

    name: str
    tier: Tier
    standard_uncertainty: float
    source: str
    degrees_of_freedom: float = math.inf
    counted: bool = True


def combined(components: Sequence[Component]) -> float:
    """Combined standard uncertainty of independent components: √Σu² (JCGM 100:2008, 5.1.2)."""
    return math.sqrt(sum(c.standard_uncertainty**2 for c in components if c.counted))


def effective_degrees_of_freedom(components: Sequence[Component]) -> float:
    """ν_eff = u_c⁴ / Σ(u_i⁴/ν_i) (Welch and Satterthwaite; JCGM 100:2008, eq. G.2b); infinite where all ν_i are."""
    counted = [c for c in components if c.counted]
    below = sum(c.standard_uncertainty**4 / c.degrees_of_freedom for c in counted)
    return combined(counted) ** 4 / below if below > 0 else math.inf


def coverage_factor(degrees_of_freedom: float, probability: float = 0.95) -> float:
    """k of an expanded uncertainty: the two-sided quantile of Student's t (JCGM 100:2008, table G.2)."""
    from scipy import stats

    share = 0.5 + probability / 2.0
    if math.isinf(degrees_of_freedom):
        return float(stats.norm.ppf(share))
    return float(stats.t.ppf(share, degrees_of_freedom))
