"""Findings in words: what a bias says, and what it does not. Every sentence follows from numbers of one entry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reconcile.report.formatting import between, decibels, metres, signed, significant
from reconcile.report.words import LEAST_PAIRS, finding_words, group_words, quantity_words, statistic_words
from reconcile.spreading.cells import SPREAD_PRIOR
from reconcile.vocabulary.documents.bias import Bias

_MAIN_QUANTITIES = ("exposure_level", "peak_level", "rms_level", "cumulative_exposure_level")


@dataclass(frozen=True, slots=True)
class Finding:
    """One prediction's result for one quantity, ready to be shown."""

    prediction_id: str
    subject: str
    verdict: str
    kind: str
    bias: str
    interval: str
    sentences: tuple[str, ...]
    notes: tuple[str, ...]


def findings(biases: Sequence[Bias]) -> tuple[Finding, ...]:
    """One finding for each prediction and group, for the main quantity."""
    return tuple(_finding(bias) for bias in main_biases(biases))


def main_biases(biases: Sequence[Bias]) -> tuple[Bias, ...]:
    """The biases of the main quantity: unweighted exposure where it was predicted, else the first of the others."""
    for quantity in _MAIN_QUANTITIES:
        found = tuple(b for b in biases if (b.quantity, b.weighting, b.band_hz) == (quantity, "none", None))
        if found:
            return found
    first = biases[0] if biases else None
    return tuple(b for b in biases if first and _subject(b) == _subject(first))


def _subject(bias: Bias) -> tuple[str, str, float | None]:
    return bias.quantity, bias.weighting, bias.band_hz


def _finding(bias: Bias) -> Finding:
    quantity = quantity_words(bias.quantity, bias.weighting, bias.band_hz)
    group = group_words(bias.installation_method, bias.foundation_type, bias.abatement)
    return Finding(
        prediction_id=bias.prediction_id,
        subject=f"{group}: {statistic_words(bias.statistic)} of the {quantity}",
        verdict=finding_words(bias.finding, bias.n_pairs),
        kind=bias.finding,
        bias=f"{signed(bias.bias_at_reference_db)} dB",
        interval=f"95 % interval {between(*bias.bias_at_reference_interval_95_db, with_sign=True)} dB",
        sentences=(main_sentence(bias), trend_sentence(bias)),
        notes=(f"It rests on {_pairs(bias)}.", *_limits(bias)),
    )


def main_sentence(bias: Bias) -> str:
    """The finding at the reference range with its interval and what it rests on."""
    where = f"at {metres(bias.reference_range_m)} m"
    low, high = bias.bias_at_reference_interval_95_db
    value = bias.bias_at_reference_db
    margin = f"±{significant(bias.equivalence_margin_db)} dB"
    if bias.finding == "overpredicts":
        said = f"The prediction was too high by {decibels(value)} dB (95 % interval {between(low, high)} dB) {where}"
    elif bias.finding == "underpredicts":
        said = f"The prediction was too low by {decibels(-value)} dB (95 % interval {between(-high, -low)} dB) {where}"
    elif bias.finding == "no_bias_found":
        narrow = between(*bias.bias_at_reference_interval_90_db, with_sign=True)
        said = (
            f"No bias was found {where}: the best estimate is {signed(value)} dB, and its 90 % interval ({narrow} dB)"
            f" lies within the margin of {margin} in which prediction and measurement count as equal"
        )
    else:
        said = _not_decided(bias, where, margin)
    return f"{said}."


def _not_decided(bias: Bias, where: str, margin: str) -> str:
    """Why nothing can be said, by the rule of the finding."""
    best = f"the best estimate is {signed(bias.bias_at_reference_db)} dB {where}{_direction(bias.bias_at_reference_db)}"
    if bias.n_pairs < LEAST_PAIRS:
        return f"Too little data: {_pairs(bias)}, and three pairs are needed; {best}"
    wide = between(*bias.bias_at_reference_interval_95_db, with_sign=True)
    narrow = between(*bias.bias_at_reference_interval_90_db, with_sign=True)
    return (
        f"Not decided: {best}. Its 95 % interval ({wide} dB) includes zero, so a bias is not shown; its 90 % interval"
        f" ({narrow} dB) reaches beyond the margin of {margin}, so neither is it shown that there is none"
    )


def _direction(value: float) -> str:
    if abs(value) < 0.05:
        return ""
    return " (prediction too high)" if value > 0 else " (prediction too low)"


def _pairs(bias: Bias) -> str:
    pairs = "1 pair" if bias.n_pairs == 1 else f"{bias.n_pairs} pairs"
    piles = "1 pile" if bias.n_piles == 1 else f"{bias.n_piles} piles"
    stations = "1 station" if bias.n_stations == 1 else f"{bias.n_stations} stations"
    return f"{pairs} of pile and station ({piles}, {stations})"


def trend_sentence(bias: Bias) -> str:
    """What the bias does with range."""
    interval = bias.spreading_bias_interval_95_db
    if interval is None:
        return "The ranges do not allow a trend with range to be told; it is held at zero."
    slope = bias.spreading_bias_db_per_decade.value
    said = f"{signed(slope)} dB for each tenfold range (95 % interval {between(*interval, with_sign=True)} dB)"
    if interval[0] > 0:
        return f"The bias rises with range: {said}."
    if interval[1] < 0:
        return f"The bias falls with range: {said}."
    return f"A trend of the bias with range is not established: {said}."


def _limits(bias: Bias) -> tuple[str, ...]:
    """What narrows the finding: within the margin, extrapolated, one pile, energies not known."""
    notes: list[str] = []
    if bias.quantity == "cumulative_exposure_level":
        notes.append(
            "A cumulative level holds what the hammer did (energy, number of strikes, piles a day) as well as"
            " acoustics; the parts stand under “Where the difference comes from”."
        )
    if bias.receiver is not None:
        notes.append(
            f"The prediction is for another receiver ({bias.receiver.replace('_', ' ')}) than the hydrophones' depths:"
            " these pairs are not taken together with like ones."
        )
    if bias.n_piles > 1:
        assumed = ", in part assumed" if bias.n_piles - 1 <= SPREAD_PRIOR.worth else ""
        notes.append(f"Piles scatter by {decibels(bias.spread_between_piles_db)} dB (one standard deviation{assumed}).")
    if "within_margin" in bias.flags:
        notes.append(
            f"The whole interval lies within the margin of ±{significant(bias.equivalence_margin_db)} dB:"
            " there is a bias, but a small one."
        )
    if not bias.range_min_m <= bias.reference_range_m <= bias.range_max_m:
        notes.append(
            f"The pairs lie between {metres(bias.range_min_m)} m and {metres(bias.range_max_m)} m:"
            f" the bias at {metres(bias.reference_range_m)} m is extrapolated."
        )
    if bias.n_piles == 1:
        notes.append(
            f"With one pile only, how piles differ is an assumption ({significant(SPREAD_PRIOR.standard_deviation)} dB,"
            " one standard deviation) and makes the interval wide."
        )
    if "energy_not_matched" in bias.flags:
        notes.append(
            "Pairs marked “energy not matched” are counted as recorded: no energies of their strikes are known, so they"
            " were not brought to the predicted one."
        )
    return tuple(notes)


def reading_notes(biases: Sequence[Bias]) -> tuple[str, ...]:
    """How to read the findings, and what they do not mean."""
    if not biases:
        return ()
    shared = max(bias.common_uncertainty_db for bias in biases)
    common = (
        f"An error that all measuring chains share (stated as {decibels(shared)} dB, one standard deviation) would"
        " shift all measured levels alike and so look like a bias; it is inside the intervals and does not average out."
        if shared > 0
        else "The campaign states no uncertainty common to all chains; if they share a calibration error, it is inside"
        " the bias and not in its interval."
    )
    return (
        "Bias is predicted minus measured. Positive: the prediction was too high. What would correct a later"
        " prediction by the same method is the bias with its sign changed.",
        "The interval is for the mean bias over piles and places like these. A single pile, station or"
        " strike scatters more; another site, hammer or abatement may differ in ways that this campaign cannot show.",
        common,
    )
