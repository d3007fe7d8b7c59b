"""Tables of the fitted models: all of them, and the chosen ones of each band."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from reconcile.report.evidence import Evidence
from reconcile.report.figures.level_range import coefficient_words
from reconcile.report.formatting import count, decibels, metres, significant
from reconcile.report.subjects import Subject
from reconcile.report.tables.table import Body, Head, Table
from reconcile.report.words import MODELS, group_words, sentence_case
from reconcile.spreading.cells import LEAST_RESIDUAL_SD_DB, PILE_PRIOR, SPREAD_PRIOR
from reconcile.vocabulary.documents.fit import Fit

_SPREAD = Head("Spread: rest / piles / places", "dB")
_AFTER_LEVEL = (
    Head("N", "dB per decade"),
    Head("α", "dB/km"),
    Head("Energy coefficient", "dB per decade"),
    Head("Energy", "kJ"),
    _SPREAD,
    Head("Means"),
    Head("Censored"),
    Head("Left out", "dB"),
    Head("AICc"),
    Head("Choice", numeric=False),
)


def fit_table(evidence: Evidence, subject: Subject) -> Table:
    """All models of one subject, a body for each group of piles."""
    fits = fits_of(evidence, subject)
    grouped: dict[str, list[Fit]] = {}
    for fit in fits:
        group = group_words(fit.installation_method, fit.foundation_type, fit.abatement)
        grouped.setdefault(group, []).append(fit)
    bodies = (Body(tuple(_fit_rows(own)), sentence_case(group)) for group, own in grouped.items())
    head = (Head("Model", numeric=False, wide=True), _level_head(fits, subject.unit), *_AFTER_LEVEL)
    return Table(head, tuple(bodies))


def _level_head(fits: Sequence[Fit], unit: str) -> Head:
    """The level at the reference range, with its range and unit."""
    ranges = {fit.reference_range_m for fit in fits}
    at = f"{metres(next(iter(ranges)))} m" if len(ranges) == 1 else "reference"
    return Head(f"Level at {at}", unit)


def _in_order(evidence: Evidence, wanted: Callable[[Fit], bool]) -> list[Fit]:
    """Some fits: groups in the order of installation, bands from low to high, chosen models first."""
    fits = [f for f in (evidence.fit.fits if evidence.fit else ()) if wanted(f)]
    return sorted(
        fits,
        key=lambda f: (
            evidence.group_place(f.installation_method, f.foundation_type, f.abatement),
            f.band_hz or 0.0,
            not f.selected,
        ),
    )


def fits_of(evidence: Evidence, subject: Subject) -> list[Fit]:
    """All fits of one subject, groups in the order of installation, the chosen model of each first."""
    return _in_order(evidence, lambda fit: Subject(fit.quantity or "", fit.weighting, fit.band_hz) == subject)


def _fit_rows(fits: Sequence[Fit]) -> Iterator[tuple[str, ...]]:
    for fit in fits:
        c = fit.coefficients
        yield (
            MODELS[fit.model],
            coefficient_words(c.level_at_reference_db, most_digits=1),
            coefficient_words(c.spreading_coefficient_db_per_decade),
            coefficient_words(c.attenuation_db_per_km),
            coefficient_words(c.energy_coefficient_db_per_decade) if fit.reference_energy_kj else "–",
            significant(fit.reference_energy_kj, 4),
            _spread(fit),
            count(fit.n_observations),
            count(fit.n_censored),
            decibels(fit.left_out_station_db, 2),
            decibels(fit.aicc),
            "chosen" if fit.selected else "not supported" if "not_supported" in fit.flags else "",
        )


def _spread(fit: Fit) -> str:
    """Standard deviations, marked where the assumed ones weigh as much as the groups that there are."""
    shown = f"{decibels(fit.residual_sd_db)} / {decibels(fit.pile_sd_db)} / {decibels(fit.station_sd_db)}"
    assumed = fit.n_piles - 1 <= PILE_PRIOR.worth or fit.n_stations - 1 <= SPREAD_PRIOR.worth
    return f"{shown} *" if assumed else shown


def spread_note() -> str:
    """What the spreads rest on: the assumed ones, and the least that is granted."""
    places, piles = (significant(p.standard_deviation) for p in (SPREAD_PRIOR, PILE_PRIOR))
    return (
        "Spread: standard deviations of the pile-station means about the curve, between piles, and between places. They"
        f" are estimates drawn towards assumed values: {piles} dB between piles (worth {significant(PILE_PRIOR.worth)}"
        f" further piles), {places} dB between places (worth {significant(SPREAD_PRIOR.worth)} further places); the"
        f" rest is never taken to be below {significant(LEAST_RESIDUAL_SD_DB)} dB. A star: few piles or places, so"
        " that the numbers are mostly these assumptions. All three are choices made here (after simulations of piling"
        " sites), no published source."
    )


def band_fit_table(evidence: Evidence) -> Table:
    """The chosen fit of each decidecade band, a body for each group of piles."""
    fits = _in_order(evidence, lambda fit: fit.selected and fit.band_hz is not None)
    head = (
        Head("Band", "Hz"),
        Head("Model", numeric=False),
        _level_head(fits, Subject("exposure_level").unit),
        Head("N", "dB per decade"),
        Head("α", "dB/km"),
        _SPREAD,
        Head("Means"),
        Head("Censored"),
    )
    grouped: dict[str, list[Fit]] = {}
    for fit in fits:
        group = group_words(fit.installation_method, fit.foundation_type, fit.abatement)
        grouped.setdefault(group, []).append(fit)
    bodies = tuple(
        Body(
            tuple(
                (significant(f.band_hz, 4), *row[:4], row[6], row[7], row[8])
                for f, row in zip(own, _fit_rows(own), strict=True)
            ),
            sentence_case(group),
        )
        for group, own in grouped.items()
    )
    return Table(head, bodies)
