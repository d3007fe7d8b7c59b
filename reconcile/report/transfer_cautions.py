"""What both pages of corrections say of their limits."""

from __future__ import annotations

from reconcile.transfer.spread_prior import ENOUGH_PROJECTS, SPREAD_BETWEEN_PROJECTS

CAUTIONS = (
    "This is a screening aid. It decides nothing: local codes, the permit, and a licensed or competent acoustician do.",
    "Limits and guidance change; check what applies today, and where you are.",
    "A correction belongs to one method of prediction and its version, and to the quantity, statistic, foundation,"
    " installation method and abatement that it was learnt from. It must not be carried to others.",
    "What all projects share is in none of the intervals: one laboratory, one coupler, one hammer type, one sea."
    " Projects that were not chosen at random may differ from a new one by more than they differ among themselves.",
    "Outside the scope (distances, energies, diameters, depths of the projects) a correction is an extrapolation.",
    "Levels describe sound at hydrophones. They say nothing on what an animal hears, does, or suffers.",
)


def prior_words() -> str:
    """The prior on the spread between projects, its value, and why."""
    offset, slope, _ = SPREAD_BETWEEN_PROJECTS.standard_deviations
    worth = SPREAD_BETWEEN_PROJECTS.worth
    return (
        f"With fewer than {ENOUGH_PROJECTS} projects the spread between them is poorly known and often estimated as"
        f" zero. It is then taken as if {worth:g} further projects had shown {offset:g} dB (and {slope:g} dB per"
        " tenfold distance for the slope): no less than piles and places of one project are assumed to differ by. This"
        " prior may widen an interval; where projects differ by more, what they show is used. It is an assumption."
    )
