"""What a bias may mean, in sentences. Each is made by one named statistic and names what else might have made it.

Nothing is called source or propagation that the statistic does not tell apart: an offset that is shown to be equal over
the measured ranges (within the margin) points to the source, a slope that is shown to be there to the propagation, and
where neither is shown it is said.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import pandas as pd

from reconcile.comparison.bias_model import BiasFit
from reconcile.comparison.split import far_range_m
from reconcile.inference import Estimate
from reconcile.vocabulary.documents.bias import Bias
from reconcile.vocabulary.documents.bias_parts import BandShape, ClaimedUncertainty, SplitPart, Statement

_TELLING = 20.0  # dB per decade: an interval of an energy coefficient wider than this says nothing
_SLOPE = "slope of the bias on lg R (mixed model, Student's t)"
_OFFSET = "bias at the reference range (mixed model, Student's t)"


@dataclass(frozen=True, slots=True)
class Case:
    """A bias with what it was made from: its acoustic fit, its pairs, its parts."""

    bias: Bias
    fit: BiasFit
    pairs: pd.DataFrame
    parts: Sequence[SplitPart]

    @property
    def near_m(self) -> float:
        return float(self.pairs["range_m"].min())

    @property
    def far_m(self) -> float:
        return float(self.pairs["range_m"].max())

    def part(self, name: str) -> SplitPart | None:
        """A part of the split that is told."""
        return next((p for p in self.parts if p.part == name and p.value_db is not None), None)


def statements(case: Case) -> tuple[Statement, ...]:
    """All sentences about one bias, the most telling first."""
    return (*_operations(case), *_range(case), _cause(case), *_abatement(case), *_energy(case), *_claim(case))


def db(value: float) -> str:
    """A difference in dB with its sign."""
    rounded = round(value, 1) + 0.0
    return f"{rounded:+.1f}".replace("-", "−") if rounded else "0.0"


def _interval(low: float, high: float, percent: int = 95) -> str:
    return f"{percent} % interval {db(low)} to {db(high)} dB"


def _of(estimate: Estimate) -> str:
    return f"{db(estimate.value)} dB ({_interval(*estimate.interval())})"


def _excludes_zero(estimate: Estimate) -> bool:
    low, high = estimate.interval()
    return low > 0.0 or high < 0.0


def _operations(case: Case) -> Iterator[Statement]:
    told = [p for p in (case.part(n) for n in ("energy", "strike_count", "piles_a_day")) if p is not None]
    if not told:
        return
    names = {"energy": "strike energy", "strike_count": "number of strikes", "piles_a_day": "piles a day"}
    values = [p.value_db or 0.0 for p in told]
    each = ", ".join(f"{names[p.part]} {db(p.value_db or 0.0)} dB" for p in told)
    acoustic = case.fit.at_reference
    yield Statement(
        about="operations",
        sentence=(
            f"Of the {db(sum(values) + acoustic.value)} dB between prediction and record at "
            f"{case.fit.reference_range_m:.0f} m, {db(sum(values))} dB are what the hammer did ({each}); "
            f"{db(acoustic.value)} dB ({_interval(*acoustic.interval())}) are acoustics.{_drawn(case, sum(values))}"
        ),
        statistic="10 lg of the ratios of counts, and the energy coefficient times lg of the ratio of energies",
        alternatives=tuple(_energy_doubts(case)),
    )


def _drawn(case: Case, hammer_db: float) -> str:
    """Which total the figure of the parts has, where it is not that of the reference range."""
    far_m = far_range_m(case.pairs, case.fit.reference_range_m)
    total = db(hammer_db + case.fit.at(far_m).value)
    if f"{far_m:.0f}" == f"{case.fit.reference_range_m:.0f}":
        return ""
    return f" The figure shows the parts at {far_m:.0f} m, where they are {total} dB together."


def _energy_doubts(case: Case) -> Iterator[str]:
    flags = case.bias.flags
    if "energy_beyond_factor_two" in flags:
        yield "the energy coefficient does not hold over more than a factor of two in energy"
    if "energy_not_matched" in flags:
        yield "strike energies that were not logged differ from the predicted one"
    part = case.part("energy")
    if part is not None and (part.standard_uncertainty_db or 0.0) >= 0.05:
        yield f"the energy coefficient is off (its error makes {part.standard_uncertainty_db:.1f} dB, one deviation)"


def _range(case: Case) -> Iterator[Statement]:
    slope = case.fit.slope
    if slope is None or not _excludes_zero(slope):
        return
    near, far = case.fit.at(case.near_m), case.fit.at(case.far_m)
    yield Statement(
        about="range",
        sentence=(
            f"The bias changes with range by {db(slope.value)} dB for each tenfold range "
            f"({_interval(*slope.interval())}): {db(near.value)} dB at {case.near_m:.0f} m and {db(far.value)} dB at "
            f"{case.far_m:.0f} m. Its mean over the pairs ({db(case.fit.mean.value)} dB) holds at no distance and is "
            "not an answer."
        ),
        statistic=_SLOPE,
        alternatives=tuple(_slope_doubts(case)),
    )


def _cause(case: Case) -> Statement:
    """Source or propagation, or that neither is favoured."""
    fit, margin = case.fit, case.bias.equivalence_margin_db
    offset, change = fit.at_reference, fit.change(case.near_m, case.far_m)
    statistic = f"{_OFFSET}; {_SLOPE}"
    if change is None:
        said = "Source and propagation cannot be told apart: the ranges are too few or too alike for a slope."
        return Statement(about="undecided", sentence=said, statistic="number and span of the ranges")
    low, high = change.interval(0.90)
    span = f"from {case.near_m:.0f} m to {case.far_m:.0f} m"
    level = -margin <= low and high <= margin
    if fit.slope is not None and _excludes_zero(fit.slope):
        return _slope_shown(case, change, span)
    if level and _excludes_zero(offset):
        said = (
            f"An offset of {_of(offset)} that is equal at all measured ranges within the margin (its change {span} is "
            f"{db(change.value)} dB, {_interval(low, high, 90)}) points to the source term."
        )
        return Statement(about="source", sentence=said, statistic=statistic, alternatives=tuple(_offset_doubts(case)))
    if level:
        said = (
            f"Neither is shown to be wrong: the offset is {_of(offset)} and its change {span} {db(change.value)} dB "
            f"({_interval(low, high, 90)})."
        )
        return Statement(about="none", sentence=said, statistic=statistic, alternatives=_cancelling())
    if _shown_throughout(case):
        return _offset_shown(case, change, span)
    said = (
        f"Neither source nor propagation is favoured: the offset is {_of(offset)}; its change {span}, "
        f"{db(change.value)} dB, is not shown to be there ({_interval(*change.interval())}) nor to lie within the "
        f"margin of ±{margin:g} dB ({_interval(low, high, 90)})."
    )
    return Statement(about="undecided", sentence=said, statistic=statistic, alternatives=tuple(_offset_doubts(case)))


def _shown_throughout(case: Case) -> bool:
    """Whether the bias excludes zero at the reference range and at both measured ends, on one side."""
    biases = (case.fit.at_reference, case.fit.at(case.near_m), case.fit.at(case.far_m))
    return all(map(_excludes_zero, biases)) and len({bias.value > 0.0 for bias in biases}) == 1


def _offset_shown(case: Case, change: Estimate, span: str) -> Statement:
    near, far = case.fit.at(case.near_m), case.fit.at(case.far_m)
    said = (
        f"An offset is shown at all measured ranges ({_of(near)} at {case.near_m:.0f} m, {_of(far)} at "
        f"{case.far_m:.0f} m): it points to the source (or to an error that is the same at all ranges); whether it "
        f"also changes with range is not decided ({_of(change)} {span})."
    )
    statistic = f"{_OFFSET}, and at the nearest and the furthest measured range; {_SLOPE}"
    return Statement(about="source", sentence=said, statistic=statistic, alternatives=tuple(_offset_doubts(case)))


def _slope_shown(case: Case, change: Estimate, span: str) -> Statement:
    near = case.fit.at(case.near_m)
    said = f"A bias that changes with range ({_of(change)} {span}) points to the propagation."
    if _excludes_zero(near):
        said += (
            f" At the nearest distance it is {_of(near)} already: source, or propagation nearer than measured, are "
            "off as well."
        )
    else:
        said += f" At the nearest distance none is shown ({_of(near)}), so the source term is not shown to be off."
    return Statement(
        about="propagation",
        sentence=said,
        statistic=f"{_SLOPE}; bias at the nearest measured range",
        alternatives=(*_slope_doubts(case), *_offset_doubts(case)),
    )


def _offset_doubts(case: Case) -> Iterator[str]:
    """What else makes an offset: a common error of calibration above all."""
    common, offset = case.bias.common_uncertainty_db, case.fit.at_reference.value
    if common > 0.0:
        times = f"; the offset is {abs(offset) / common:.1f} times that" if abs(offset) >= 0.05 else ""
        yield f"a calibration error that all chains share (stated as {common:g} dB, one standard deviation{times})"
    else:
        yield "a calibration error that all chains share: none is stated, so none of any size is excluded"
    if case.part("energy") is not None or "energy_not_matched" in case.bias.flags:
        yield "less or more hammer energy in the pile than the log says"
    if case.bias.receiver is not None:
        yield f"the receiver: predicted for {case.bias.receiver.replace('_', ' ')}, measured at one depth"
    if case.bias.abatement != "none" and case.part("abatement") is None:
        yield "the abatement: it worked otherwise than predicted"
    if "abatement_not_stated" in case.bias.flags:
        yield "the abatement: the prediction does not say for which state it was made"
    yield "a loss between pile and nearest station that is the same for all stations"


def _slope_doubts(case: Case) -> Iterator[str]:
    """What else makes a slope."""
    chains = case.pairs.groupby("mooring_id")["system_id"].nunique()
    if bool((chains == 1).all()):
        yield "errors of the chains that differ from near to far: each place kept one chain"
    yield f"bearing, water depth or bottom that differ from near to far: there are {case.bias.n_stations} stations"
    better = case.bias.per_km.better if case.bias.per_km else None
    if better == "per_km":
        yield "attenuation rather than spreading: a line per kilometre holds better than one per decade"
    elif better == "not_told_apart":
        yield "attenuation as well as spreading: lines per kilometre and per decade are not told apart"


def _cancelling() -> tuple[str, ...]:
    return ("errors of source, propagation and calibration that cancel each other",)


def _abatement(case: Case) -> Iterator[Statement]:
    part = case.part("abatement")
    if part is None or part.value_db is None or part.interval_95_db is None:
        return
    low, high = part.interval_95_db
    shown = low > 0.0 or high < 0.0
    less = "more" if part.value_db < 0 else "less"
    said = (
        f"The abatement achieved {abs(part.value_db):.1f} dB {less} than predicted ({_interval(low, high)})."
        if shown
        else f"That the abatement did otherwise than predicted is not shown: {db(part.value_db)} dB "
        f"({_interval(low, high)})."
    )
    other = ("piles with and without abatement that differ in other ways (ground, energy, bearing)",)
    yield Statement(about="abatement", sentence=said, statistic=part.statistic, alternatives=other)


def _energy(case: Case) -> Iterator[Statement]:
    found = case.bias.energy_coefficient_error
    if found is None:
        return
    error = found.error_db_per_decade
    shown = error.interval_95[0] > 0.0 or error.interval_95[1] < 0.0
    if not shown and error.interval_95[1] - error.interval_95[0] > _TELLING:
        return
    whose = "the prediction's energy coefficient" if found.of == "prediction" else "the energy coefficient used here"
    off = f"{whose} is off by" if shown else f"an error of {whose} is not shown:"
    said = f"{off[0].upper()}{off[1:]} {db(error.value)} dB per decade of energy ({_interval(*error.interval_95)})."
    other = ("ground or hammer that differ between piles driven at different energies",)
    yield Statement(about="energy", sentence=said, statistic="slope of the bias on lg E over piles", alternatives=other)


def _claim(case: Case) -> Iterator[Statement]:
    claim = case.bias.claimed_uncertainty
    if claim is None:
        return
    low, high = claim.scatter_ratio_interval_95
    ratio = f"{claim.scatter_ratio:.2f} times the claimed {claim.claimed_sd_db:.1f} dB (95 % {low:.2f} to {high:.2f})"
    scatter = {
        "larger": f"Without it they scatter more than claimed: {ratio}.",
        "not_larger": f"Without it they scatter no more than claimed: {ratio}.",
        "not_decided": f"Whether without it they scatter more than claimed is not decided: {ratio}.",
    }[claim.scatter]
    said = (
        f"{100.0 * claim.coverage_95:.0f} % of {claim.n} pairs lie within the 95 % interval that the prediction "
        f"claims. {_total(claim)} {scatter}"
    )
    statistics = (claim.total_statistic, claim.statistic) if claim.total_statistic else (claim.statistic,)
    yield Statement(
        about="claim",
        sentence=said,
        statistic="; ".join(statistics),
        alternatives=("piles and places unlike those of other sites",),
    )


def _total(claim: ClaimedUncertainty) -> str:
    """What is said of the errors with the offset that all share."""
    of = f"{claim.root_mean_square:.1f} times the claim (root mean square"
    between = claim.root_mean_square_interval_95
    of += f", 95 % {between[0]:.2g} to {between[1]:.2g})" if between else ")"
    if claim.total == "larger":
        return f"The errors with their common offset are larger than claimed: {of}."
    if claim.total == "not_larger":
        return f"The errors with their common offset are no larger than claimed: {of}."
    return f"Whether the errors with their common offset are larger than claimed is not decided: {of}."


def band_statements(shape: BandShape) -> tuple[Statement, ...]:
    """What the shape of a bias over the bands may mean."""
    said = {
        "source_spectrum": "The bias has a shape over frequency that is equal at all measured ranges: it points to the "
        "spectrum of the source.",
        "seabed": "The bias has a shape over frequency that grows with range: it points to the seabed (or another loss "
        "that depends on frequency).",
        "both": "The bias has a shape over frequency, and the shape changes with range: source spectrum and seabed may "
        "both be off, and which comes first is not told.",
        "none_shown": "No shape of the bias over frequency is shown: neither source spectrum nor seabed is favoured.",
    }[shape.verdict]
    worst = max(shape.bands, key=lambda band: abs(band.deviation_db))
    far = f" The band furthest from the mean of all is {worst.band_hz:g} Hz ({db(worst.deviation_db)} dB)."
    slopes = "" if shape.slopes_p is None else f", of slopes {shape.slopes_p:.2g}"
    return (
        Statement(
            about="bands",
            sentence=said + far,
            statistic=f"largest of the bands' t against the mean of all bands (Bonferroni): p of offsets "
            f"{shape.offsets_p:.2g}{slopes}",
            alternatives=("a sensitivity curve that is wrong by frequency and shared by all chains",),
        ),
    )
