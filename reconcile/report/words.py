"""The words of the page: quantities, statistics, groups of piles, findings, flags."""

from __future__ import annotations

from collections.abc import Iterable

from reconcile.report.formatting import MISSING, hertz, significant
from reconcile.vocabulary.documents.bias import Finding
from reconcile.vocabulary.documents.campaign import Pile
from reconcile.vocabulary.documents.fit import ModelName
from reconcile.vocabulary.quantities import MAX_125MS_LEVEL, QUANTITIES
from reconcile.vocabulary.tables.flags import FLAGS, Stage
from reconcile.vocabulary.weightings import GUIDANCE, WEIGHTINGS

STATISTICS = {
    "mean": "mean of the levels",
    "energy_mean": "level of the mean energy",
    "median": "median",
    "exceeded_5": "level exceeded by 5 % of strikes",
    "maximum": "loudest strike",
}
FINDINGS: dict[Finding, str] = {
    "overpredicts": "Prediction too high",
    "underpredicts": "Prediction too low",
    "no_bias_found": "No bias found",
    "too_little_data": "Not decided",
}
LEAST_PAIRS = 3  # of a finding
MODELS: dict[ModelName, str] = {
    "spreading": "spreading",
    "spreading_attenuation": "spreading and attenuation",
    "damped_cylindrical": "damped cylindrical spreading",
    "two_regime": "spreading in two regimes",
}
_SHORT = {
    "exposure_level": "single-strike exposure level",
    "peak_level": "zero-to-peak level",
    "rms_level": "mean-square level",
    "cumulative_exposure_level": "cumulative exposure level",
}
_FOUNDATIONS = {
    "jack_up": "jack-up",
    "suction_bucket": "suction bucket",
    "gravity_base": "gravity base",
    "floating_anchor": "floating anchor",
    "other": "other foundation",
}
_METHODS = {
    "impact": "impact driving",
    "vibratory": "vibratory driving",
    "drilled": "drilling",
    "suction": "suction",
    "dredging": "dredging",
    "other": "other method",
}


def finding_words(finding: Finding, n_pairs: int) -> str:
    """A finding in two or three words; where nothing was decided, whether for want of pairs."""
    return "Too little data" if finding == "too_little_data" and n_pairs < LEAST_PAIRS else FINDINGS[finding]


def weighting_words(weighting: str) -> str:
    """`nmfs-2024:LF` as `LF-weighted (NMFS 2024, low-frequency cetaceans)`; an unknown name as it stands."""
    found = WEIGHTINGS.get(weighting)
    if found is None:
        return f"weighted {weighting}"
    return f"{found.group}-weighted ({GUIDANCE[found.guidance].title}, {found.animals})"


def quantity_words(quantity: str | None, weighting: str = "none", band_hz: float | None = None) -> str:
    """The full name of a quantity with its weighting and band."""
    known = QUANTITIES | {MAX_125MS_LEVEL.identifier: MAX_125MS_LEVEL}
    name = known[quantity].name if quantity in known else (quantity or "any quantity")
    if weighting not in ("none", None):
        name = f"{name}, {weighting_words(weighting)}"
    if band_hz is not None and band_hz == band_hz:
        name = f"{name}, {hertz(band_hz)} decidecade"
    return name


def short_quantity_words(quantity: str, weighting: str = "none", band_hz: float | None = None) -> str:
    """A quantity in few words, for tables whose heading or section says the rest."""
    name = _SHORT.get(quantity, quantity)
    if weighting != "none":
        found = WEIGHTINGS.get(weighting)
        name = f"{name}, weighted {weighting}" if found is None else f"{name}, weighted {found.label}"
    return name if band_hz is None else f"{name}, {hertz(band_hz)} decidecade"


def sentence_case(text: str) -> str:
    """The text with a capital first letter."""
    return text[:1].upper() + text[1:]


def unit_words(quantity: str | None) -> str:
    """Unit and reference value of a quantity's level."""
    return QUANTITIES[quantity].unit if quantity in QUANTITIES else "dB"


def abatement_words(abatement: str | None) -> str:
    """The abatement, or that there was none."""
    if abatement is None:
        return "abatement not stated"
    return "no abatement" if abatement == "none" else abatement


def group_words(installation_method: str | None, foundation_type: str | None, abatement: str | None) -> str:
    """A group of piles: foundation, method, abatement."""
    foundation = "any foundation" if foundation_type is None else _FOUNDATIONS.get(foundation_type, foundation_type)
    method = "any method" if installation_method is None else _METHODS.get(installation_method, installation_method)
    return f"{foundation}, {method}, {abatement_words(abatement)}"


def pile_words(pile: Pile) -> str:
    """What is known of a pile in one line."""
    parts = [group_words(pile.installation_method, pile.foundation_type, pile.abatement)]
    if pile.diameter_m is not None:
        parts.append(f"diameter {significant(pile.diameter_m)} m")
    if pile.water_depth_m is not None:
        parts.append(f"water {significant(pile.water_depth_m)} m")
    return ", ".join(parts)


def statistic_words(statistic: str | None) -> str:
    """The statistic over the strikes of a pile."""
    return "statistic not stated" if statistic is None else STATISTICS.get(statistic, statistic)


def flag_meaning(name: str) -> str:
    """What a flag says, or its name where it is not known."""
    return FLAGS[name].meaning if name in FLAGS else name


def excluded_words(stages: Iterable[Stage]) -> str:
    """What rows with a flag are left out of; a dash for nothing."""
    names = {
        Stage.SUMMARY: "statistics",
        Stage.FIT: "fits",
        Stage.COMPARISON: "comparison",
        Stage.AMBIENT: "ambient sound",
    }
    found = [names[stage] for stage in Stage if stage in set(stages)]
    return ", ".join(found) if found else MISSING
