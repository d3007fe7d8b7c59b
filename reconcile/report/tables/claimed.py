"""Table of the uncertainty that predictions claim for themselves, beside what was found."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.report.formatting import MISSING, between, count, decibels, percent, significant
from reconcile.report.subjects import Subject
from reconcile.report.tables.table import Body, Head, Table
from reconcile.report.words import group_words
from reconcile.vocabulary.documents.bias import Bias
from reconcile.vocabulary.documents.bias_parts import ClaimedUncertainty

_VERDICTS = {"larger": "larger than claimed", "not_larger": "no larger than claimed", "not_decided": "not decided"}


def claimed_table(biases: Sequence[Bias]) -> Table:
    """A body for each prediction and group of piles, a row for each level whose prediction states its deviation."""
    head = (
        Head("Level", numeric=False),
        Head("Pairs"),
        Head("Claimed", "± dB"),
        Head("Pairs within its 95 % interval"),
        Head("Error over claim", "root mean square"),
        Head("95 % interval"),
        Head("Scatter found", "± dB"),
        Head("Scatter over claim"),
        Head("95 % interval"),
        Head("What can be said", numeric=False),
    )
    rows: dict[tuple[str, str], list[tuple[str, ...]]] = {}
    for bias in biases:
        if (claim := bias.claimed_uncertainty) is not None:
            piles = group_words(bias.installation_method, bias.foundation_type, bias.abatement)
            rows.setdefault((bias.prediction_id, piles), []).append(_row(bias, claim))
    return Table(head, tuple(Body(tuple(own), title, note) for (title, note), own in rows.items()))


def _row(bias: Bias, claim: ClaimedUncertainty) -> tuple[str, ...]:
    return (
        Subject(bias.quantity, bias.weighting, bias.band_hz).short,
        count(claim.n),
        decibels(claim.claimed_sd_db),
        percent(claim.coverage_95),
        significant(claim.root_mean_square),
        between(*claim.root_mean_square_interval_95) if claim.root_mean_square_interval_95 else MISSING,
        decibels(claim.scatter_db),
        significant(claim.scatter_ratio),
        between(*claim.scatter_ratio_interval_95),
        f"errors with the common offset: {_VERDICTS[claim.total or 'not_decided']}; scatter without it: "
        f"{_VERDICTS[claim.scatter]}",
    )
