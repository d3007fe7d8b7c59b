"""What is assumed of the spread between projects where few projects show it."""

from __future__ import annotations

from reconcile.inference.meta_analysis import SpreadPrior
from reconcile.vocabulary.documents.pooling import SpreadPriorUsed

# From this many projects on the spread is theirs alone. With fewer, restricted likelihood often puts it at zero.
ENOUGH_PROJECTS = 8

# Standard deviations between projects of (offset in dB, slope in dB per decade, attenuation in dB/km), worth two
# further projects. 1.5 dB is what is assumed between piles and between places of one project: projects differ by no
# less, since site, season, hammer and laboratory change as well. Its 90 % range is 0.9 to 6.6 dB: wide enough that
# five projects overrule it, and it is never let to narrow what they show. 3 dB per decade makes an error of 1 dB at
# half or twice the reference range and of 3 dB at ten times. No source: an assumption, to be said where it is used.
SPREAD_BETWEEN_PROJECTS = SpreadPrior((1.5, 3.0, 0.5), worth=2.0)


def prior_for(n_projects: int) -> SpreadPrior | None:
    """The prior for this many projects; None where they are enough."""
    return SPREAD_BETWEEN_PROJECTS if n_projects < ENOUGH_PROJECTS else None


def prior_used(prior: SpreadPrior | None) -> SpreadPriorUsed | None:
    """The prior as the document has it."""
    if prior is None:
        return None
    offset, slope, loss = SPREAD_BETWEEN_PROJECTS.standard_deviations
    return SpreadPriorUsed(
        offset_db=offset, spreading_db_per_decade=slope, attenuation_db_per_km=loss, worth=prior.worth
    )
