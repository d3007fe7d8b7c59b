"""Tables of what was marked or left out, and why; settings and versions."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping

import pandas as pd

from reconcile.report.evidence import Evidence
from reconcile.report.formatting import count, exact_time
from reconcile.report.tables.table import Head, Table, one_body, text
from reconcile.report.words import (
    excluded_words,
    flag_meaning,
    group_words,
    quantity_words,
    sentence_case,
    short_quantity_words,
)
from reconcile.vocabulary.tables.flags import FLAGS

_GAP = re.compile(r"station (?P<stations>.+): gap of (?P<seconds>\d+(?:\.\d+)?) s before ")
_PAUSE_S = 60.0  # a shorter gap may have cut a strike's surroundings, and is named on its own
_SETTINGS = {
    "weightings": "Auditory weightings",
    "calibration_source": "Calibration taken from",
    "field_check_tolerance_db": "Tolerance of field checks (dB)",
    "censor_below_snr_db": "Censored below a signal-to-noise ratio of (dB)",
    "window_max_s": "Longest pulse interval (s)",
    "equivalence_margin_db": "Margin in which prediction and sea count as equal (dB)",
    "criteria": "Sets of thresholds and limits",
    "criteria_file": "File of criteria",
    "effective_quiet_db": "Effective quiet (dB re 1 µPa² s, single strike)",
    "local_time_zone": "Time zone of local days",
    "oversampled_peak": "Peak between samples",
    "robust_fits": "Student's t in the fits of level against range",
    "tones_of": "Tonal lines followed in work of",
}


def flag_table(evidence: Evidence) -> Table:
    """Flags that were raised: how often, what they mean, what they take a row out of."""
    head = (*text("Flag", "Raised on"), Head("Rows"), *text("Meaning", "Left out of"))
    fits = [flag for fit in (evidence.fit.fits if evidence.fit else ()) if fit.selected for flag in fit.flags]
    biases = [flag for bias in evidence.biases for flag in bias.flags]
    counted = (
        ("strikes", _raised(evidence.strikes), len(evidence.strikes)),
        ("continuous levels", _raised(evidence.background), len(evidence.background)),
        ("chosen fits", Counter(fits), sum(fit.selected for fit in evidence.fit.fits) if evidence.fit else 0),
        ("pairs", _raised(evidence.pairs), len(evidence.pairs)),
        ("biases", Counter(biases), len(evidence.biases)),
    )
    rows = [
        (
            name.replace("_", " "),
            where,
            f"{count(raised[name])} of {count(whole)}",
            flag_meaning(name),
            excluded_words(FLAGS[name].excluded_from) if name in FLAGS else "",
        )
        for where, raised, whole in counted
        for name in sorted(raised)
    ]
    return one_body(head, rows)


def _raised(frame: pd.DataFrame) -> Counter[str]:
    if frame.empty:
        return Counter()
    return Counter(str(flag) for flags in frame["flags"] for flag in flags)


def censoring_table(evidence: Evidence) -> Table:
    """How many strikes have a limit instead of a level, for each quantity."""
    head = (Head("Level", numeric=False), Head("At most (too close to the background)"), Head("At least (clipped)"))
    columns = [("exposure_level", "none", "exposure_censoring"), ("peak_level", "none", "peak_censoring")]
    for name in evidence.campaign.settings.weightings:
        part = name.lower().replace("-", "_").replace(":", "_")
        columns.append(("exposure_level", name, f"exposure_censoring_{part}"))
    rows = [
        (
            sentence_case(short_quantity_words(quantity, weighting)),
            count(int((evidence.strikes[column] == "at_most").sum())),
            count(int((evidence.strikes[column] == "at_least").sum())),
        )
        for quantity, weighting, column in columns
        if column in evidence.strikes.columns
    ]
    return one_body(head, rows)


def missing_strikes(evidence: Evidence) -> tuple[tuple[str, str], ...]:
    """What became of strikes that a station did not hear, and of those of which only a limit is known: (what, so)."""
    return (_unheard(evidence), _limits_in_fits(evidence))


def _unheard(evidence: Evidence) -> tuple[str, str]:
    stages = evidence.manifest.stages
    if not any("strikes_not_heard" in stage.counts for stage in stages if stage.stage == "levels"):
        return (
            "Strikes that a station did not hear have no row yet.",
            "Statistics of a far station are then over the strikes that it heard, which are the louder ones.",
        )
    rows = _raised(evidence.strikes)["not_heard"]
    if not rows:
        return "Every strike that was known was heard at every station that was recording.", ""
    return (
        f"Strikes that a station did not hear: {count(rows)} of {count(len(evidence.strikes))} rows.",
        "Their levels are limits from the background alone (“at most”), and they count as such.",
    )


def _limits_in_fits(evidence: Evidence) -> tuple[str, str]:
    fits = [fit for fit in (evidence.fit.fits if evidence.fit else ()) if fit.selected]
    if any("censored_rows_left_out" in fit.flags for fit in fits):
        return (
            "Censored rows are not in the likelihood of the fits.",
            "Strikes too close to the background, and clipped ones, are left out of the curves and counted there; where"
            " many are, levels far out may be too high.",
        )
    n_censored = sum(fit.n_censored for fit in fits)
    if not n_censored:
        return "No curve met a strike of which only a limit is known.", ""
    return (
        "Strikes of which only a limit is known are in the curves as limits.",
        "Those too close to the background, and clipped ones, take part in the fits as “at most” and “at least” (their"
        " number stands beside each fit); the degrees of freedom of the intervals are approximate there.",
    )


def reason_table(name: str, reasons: Mapping[str, str]) -> Table:
    """Recordings with the reason why they were not (or not wholly) used."""
    return one_body(text(name, "Reason"), list(reasons.items()))


def input_notes(warnings: Iterable[str]) -> tuple[str, ...]:
    """Notes on the input, pauses of a minute or more between recordings as one: number, shortest, longest."""
    found = [(line, _GAP.match(line)) for line in warnings]
    pauses = [(m["stations"], float(m["seconds"])) for _, m in found if m and float(m["seconds"]) >= _PAUSE_S]
    if len(pauses) < 2:
        return tuple(line for line, _ in found)
    lengths = [seconds for _, seconds in pauses]
    shortest, longest = (exact_time(pick(lengths)) for pick in (min, max))
    several = Counter(stations for stations, _ in pauses)
    per_station = ", ".join(f"{n} at {stations}" for stations, n in several.items())
    pause = f"{len(pauses)} pauses between recordings ({per_station}): the shortest {shortest}, the longest {longest}"
    return (pause, *(line for line, m in found if not m or float(m["seconds"]) < _PAUSE_S))


def not_fitted_table(evidence: Evidence) -> Table:
    """Quantities and groups for which no curve could be fitted."""
    rows = [
        (
            quantity_words(entry.quantity, entry.weighting, entry.band_hz),
            group_words(entry.installation_method, entry.foundation_type, entry.abatement),
            entry.reason,
        )
        for entry in (evidence.fit.not_fitted if evidence.fit else ())
    ]
    return one_body(text("Quantity", "Group of piles", "Reason"), rows)


def settings_table(evidence: Evidence) -> Table:
    """The settings as resolved."""
    settings = (evidence.manifest.settings or evidence.campaign.settings).model_dump()
    rows = [(_SETTINGS.get(name, name), _setting(value)) for name, value in settings.items()]
    campaign = evidence.campaign
    rows += [
        ("Sound speed (m/s)", f"{campaign.sound_speed_m_s:g}"),
        ("Uncertainty common to all chains (dB, one standard deviation)", f"{campaign.common_uncertainty_db:g}"),
        ("Time zone of file names and headers", campaign.recordings_time_zone),
    ]
    return one_body(text("Setting", "Value"), rows)


def _setting(value: object) -> str:
    if value is None or value == ():
        return "none"
    if isinstance(value, (list, tuple)):
        return ", ".join(str(entry) for entry in value)
    return f"{value:g}" if isinstance(value, float) else str(value).replace("_", " ")


def versions_table(evidence: Evidence) -> Table:
    """What the results were made with."""
    return one_body(text("Software", "Version"), list(evidence.manifest.versions.items()))


def stages_table(evidence: Evidence) -> Table:
    """The commands that made the results (without the one that wrote this page); when, the manifest says."""
    rows = [
        (stage.stage, ", ".join(f"{name.replace('_', ' ')} {count(n)}" for name, n in stage.counts.items()))
        for stage in evidence.manifest.stages
        if stage.stage != "report"
    ]
    return one_body(text("Stage", "Made"), rows)


def input_table(evidence: Evidence, names: Iterable[str]) -> Table:
    """Digests of the campaign's own tables."""
    digests = evidence.manifest.inputs
    return one_body(text("File", "SHA-256"), [(name, digests.get(name) or "not taken") for name in names])
