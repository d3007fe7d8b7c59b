"""What levels are of: quantity, weighting and band, and the rows of a table that belong to it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.words import quantity_words, sentence_case, short_quantity_words, unit_words
from reconcile.vocabulary.documents.fit import Fit

_ORDER = ("exposure_level", "peak_level", "rms_level", "cumulative_exposure_level")


@dataclass(frozen=True, slots=True)
class Subject:
    """A quantity with its weighting and band (None for the full band)."""

    quantity: str
    weighting: str = "none"
    band_hz: float | None = None

    @property
    def words(self) -> str:
        return quantity_words(self.quantity, self.weighting, self.band_hz)

    @property
    def short(self) -> str:
        """In few words, with a capital."""
        return sentence_case(short_quantity_words(self.quantity, self.weighting, self.band_hz))

    @property
    def title(self) -> str:
        return sentence_case(self.words)

    @property
    def unit(self) -> str:
        return unit_words(self.quantity)

    @property
    def key(self) -> str:
        """A short form for ids in the page."""
        parts = [self.quantity.replace("_level", ""), *([] if self.weighting == "none" else [self.weighting])]
        if self.band_hz is not None:
            parts.append(f"{self.band_hz:g}")
        return "".join(c if c.isalnum() else "-" for c in "-".join(parts).lower())

    def of(self, frame: pd.DataFrame) -> pd.DataFrame:
        """The rows of a table with the columns quantity, weighting and band_hz that are of this subject."""
        if frame.empty:
            return frame
        band = frame["band_hz"].isna() if self.band_hz is None else frame["band_hz"] == self.band_hz
        return frame[(frame["quantity"] == self.quantity) & (frame["weighting"] == self.weighting) & band]


def level_subjects(evidence: Evidence) -> tuple[Subject, ...]:
    """Full-band subjects of the summary: exposure, peak, rms, then each weighting."""
    rows = evidence.summary[evidence.summary["band_hz"].isna()]
    found = {Subject(str(q), str(w)) for q, w in zip(rows["quantity"], rows["weighting"], strict=True)}
    of_impact = {subject for subject in found if subject.weighting == "none" or subject.quantity == "exposure_level"}
    return ordered(of_impact, evidence)


def predicted_subjects(evidence: Evidence) -> tuple[Subject, ...]:
    """Subjects for which there is a bias."""
    return ordered({Subject(b.quantity, b.weighting, b.band_hz) for b in evidence.biases}, evidence)


def paired_subjects(evidence: Evidence) -> tuple[Subject, ...]:
    """Subjects for which there are pairs, counted or not."""
    pairs = evidence.pairs
    if pairs.empty:
        return ()
    keys = pairs[["quantity", "weighting", "band_hz"]].drop_duplicates().itertuples(index=False)
    return ordered({Subject(str(q), str(w), None if pd.isna(b) else float(b)) for q, w, b in keys}, evidence)


def curve_subjects(evidence: Evidence) -> tuple[Subject, ...]:
    """Subjects worth a drawing against range: all of the full band, and the bands that were predicted."""
    return ordered({*level_subjects(evidence), *predicted_subjects(evidence)}, evidence)


def ordered(subjects: Iterable[Subject], evidence: Evidence) -> tuple[Subject, ...]:
    """Exposure first, unweighted before weighted (in the order of the settings), full band before bands."""
    weightings = ("none", *evidence.campaign.settings.weightings)

    def rank(subject: Subject) -> tuple[int, bool, float, int, str]:
        quantity = _ORDER.index(subject.quantity) if subject.quantity in _ORDER else len(_ORDER)
        plain = subject.weighting == "none" and subject.band_hz is None
        place = weightings.index(subject.weighting) if subject.weighting in weightings else len(weightings)
        return (quantity if plain else len(_ORDER), subject.band_hz is not None, subject.band_hz or 0.0, place,
                f"{quantity}{subject.weighting}")  # fmt: skip

    return tuple(sorted(subjects, key=rank))


def selected_fits(evidence: Evidence, subject: Subject) -> tuple[Fit, ...]:
    """The chosen fits of a subject, one for each group of piles."""
    fits = evidence.fit.fits if evidence.fit else ()
    return tuple(f for f in fits if f.selected and Subject(f.quantity or "", f.weighting, f.band_hz) == subject)
