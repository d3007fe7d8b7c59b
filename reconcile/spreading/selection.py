"""Choice between fitted models, and its reason in words.

Simpler models come first: `spreading`, `damped_cylindrical` (both two coefficients), `spreading_attenuation`. One
further down is taken only where its AICc is lower by more than 2 than that of the best before it. A model with a
negative attenuation, or one that does not describe the quantity, is never taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from reconcile.vocabulary.documents.fit import ModelName

NEEDED_GAIN = 2.0  # of AICc
_ORDER: tuple[ModelName, ...] = ("spreading", "damped_cylindrical", "spreading_attenuation")
_EXPOSURES = (None, "exposure_level", "cumulative_exposure_level")


@dataclass(frozen=True, slots=True)
class Candidate:
    """A fitted model as the choice sees it: N in dB per decade, alpha in dB/km, AICc (None: too few levels for it).

    Between models with as many coefficients the likelihood alone decides, so that needs no AICc.
    """

    model: ModelName
    quantity: str | None
    spreading_db_per_decade: float
    attenuation_db_per_km: float
    n_coefficients: int
    minus_2_log_likelihood: float
    aicc: float | None
    selected: bool = False
    reason: str = ""

    @property
    def objection(self) -> str | None:
        """Why the data or the quantity do not support this model; None where they do."""
        if self.model == "damped_cylindrical" and self.quantity not in _EXPOSURES:
            return "damped cylindrical spreading describes exposure, not peak or rms"
        if self.attenuation_db_per_km < 0:
            return f"the attenuation came out negative ({self.attenuation_db_per_km:.3g} dB/km)"
        if self.model == "spreading_attenuation" and self.spreading_db_per_decade < 0:
            return f"the spreading coefficient came out negative ({self.spreading_db_per_decade:.3g} dB per decade)"
        return None

    @property
    def supported(self) -> bool:
        return self.objection is None

    @property
    def rises(self) -> bool:
        """Whether the level rises with range: a warning where the simplest model says so."""
        return self.model == "spreading" and self.spreading_db_per_decade <= 0


def choose(candidates: Sequence[Candidate]) -> dict[ModelName, Candidate]:
    """The candidates by model, exactly one selected, each with the reason for or against it.

    `spreading` is always among them and always supported.
    """
    by_model = {candidate.model: candidate for candidate in candidates}
    ordered = [by_model[model] for model in _ORDER if model in by_model]
    best = ordered[0]
    for candidate in ordered[1:]:
        if candidate.supported and _gain(candidate, best) > NEEDED_GAIN:
            best = candidate
    return {
        candidate.model: replace(candidate, selected=candidate is best, reason=_reason(candidate, best, ordered))
        for candidate in ordered
    }


def _gain(candidate: Candidate, best: Candidate) -> float:
    """How much lower the candidate's AICc is; nothing where it cannot be told."""
    if candidate.n_coefficients == best.n_coefficients:
        return best.minus_2_log_likelihood - candidate.minus_2_log_likelihood
    return 0.0 if candidate.aicc is None or best.aicc is None else best.aicc - candidate.aicc


def _reason(candidate: Candidate, best: Candidate, ordered: Sequence[Candidate]) -> str:
    if candidate is not best:
        return candidate.objection or _against(candidate, best)
    others = [c for c in ordered if c is not best]
    if not others:
        return "the only model that the ranges can identify"
    if not any(c.supported for c in others):
        return "the only model that the data support"
    if best is ordered[0]:
        return f"the simplest model; no other supported one lowers AICc by more than {NEEDED_GAIN:g}"
    return f"AICc lower by {_gain(best, ordered[0]):.1f} than that of {ordered[0].model}, more than {NEEDED_GAIN:g}"


def _against(candidate: Candidate, best: Candidate) -> str:
    if candidate.n_coefficients != best.n_coefficients and (candidate.aicc is None or best.aicc is None):
        return "too few levels to judge whether a further coefficient is needed"
    gain = _gain(candidate, best)
    if gain >= 0:
        return f"AICc lower by {gain:.1f} than that of {best.model}: not more than {NEEDED_GAIN:g}, the simpler is kept"
    return f"AICc higher by {-gain:.1f} than that of {best.model}"
