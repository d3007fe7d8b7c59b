"""`difference`: what changed between two runs, and why. The results first, then what they were made from."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from itertools import chain
from pathlib import Path

import numpy as np
import pandas as pd

from reconcile.audit.at_hand import manifest_of
from reconcile.audit.comparing import TableDifference, amount, change_in_words, changed_leaves, compare_tables
from reconcile.audit.finding import AuditReport
from reconcile.running.exports import table_names
from reconcile.running.levels_stage import CAMPAIGN
from reconcile.running.provenance import BIAS, CORRECTION, FIT
from reconcile.running.store import read_document, read_table
from reconcile.vocabulary.documents.bias import Bias, BiasDocument, ThresholdComparison
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.document import Document
from reconcile.vocabulary.documents.fit import Fit, FitDocument
from reconcile.vocabulary.documents.flat import flat, flat_json
from reconcile.vocabulary.documents.manifest import ChainEntry, Manifest
from reconcile.vocabulary.quantities import level_db

_MOST = 8  # lines of one heading
_ROUNDING = 1e-6
_FULL_BAND = ("exposure_level", "peak_level", "rms_level")


def difference(first: Path, second: Path) -> AuditReport:
    """What changed from the first results folder to the second, ordered by importance.

    Differences are always second minus first. Raises ResultsError where a folder holds no results.
    """
    manifests = (manifest_of(first), manifest_of(second))
    report = AuditReport()
    for folder, manifest in zip((first, second), manifests, strict=True):
        if not manifest.complete:
            report.lines.append(f"Caution: {folder} is incomplete: a command is changing it, or was interrupted")
    tables = {name: found for name, found in _tables(first, second) if found is None or found.any}
    _say(report, "Biases (predicted minus measured)", _biases(first, second))
    _say(report, "Levels per pile and station (means)", _levels(first, second, tables))
    n_results = report.n_differences
    _say(report, "Why: measuring chains", _chains(*manifests))
    _say(report, "Why: settings and campaign", _campaigns(first, second))
    _say(report, "Why: inputs", _inputs(*manifests))
    _say(report, "Why: versions", _versions(*manifests))
    _say(report, "Why: recordings left out", _unusable(*manifests))
    n_causes = report.n_differences - n_results
    _say(report, "Counts", _counts(*manifests))
    _say(report, "Fits", _fits(first, second))
    _say(report, "Tables and documents", chain(_table_lines(first, tables), _document_lines(first, second)))
    if report.differs and not n_causes:
        report.lines.append(
            "Chains, settings, campaign, inputs and versions are the same: another state of the program, or a results "
            "folder that was altered (`reconcile verify` tells)"
        )
    alike = "The two agree: results, settings, inputs, versions"
    report.lines.insert(0, "The two differ (second less first)" if report.differs else alike)
    return report


def _say(report: AuditReport, heading: str, lines: Iterator[str]) -> None:
    """The lines under their heading, the first of them; each line is a difference."""
    found = list(lines)
    if not found:
        return
    report.lines.append(f"{heading}:")
    report.lines += [f"    {line}" for line in found[:_MOST]]
    if len(found) > _MOST:
        report.lines.append(f"    and {len(found) - _MOST} more")
    report.n_differences += len(found)


def _tables(first: Path, second: Path) -> Iterator[tuple[str, TableDifference | None]]:
    """Each table that not both hold to the bit; None where only one of them has it."""
    names = dict.fromkeys([*table_names(first), *table_names(second)])
    for name in names:
        paths = [folder / f"{name}.parquet" for folder in (first, second)]
        if not all(path.exists() for path in paths):
            yield name, None
        elif not (all(p.is_file() for p in paths) and paths[0].read_bytes() == paths[1].read_bytes()):
            yield name, compare_tables(first, second, name)


def _table_lines(first: Path, tables: Mapping[str, TableDifference | None]) -> Iterator[str]:
    for name, found in tables.items():
        if found is None:
            yield f"{name}: only in the {'first' if (first / f'{name}.parquet').exists() else 'second'}"
            continue
        parts = []
        if found.only_first or found.only_second:
            parts.append(f"{found.only_first} rows in the first alone, {found.only_second} in the second alone")
        alone = (*found.columns_only_first, *found.columns_only_second)
        if alone:
            parts.append(f"{len(alone)} columns in one alone ({alone[0]}{', ...' if len(alone) > 1 else ''})")
        if found.columns:
            parts.append(f"{len(found.columns)} columns differ; {found.columns[0].in_words}")
        yield f"{name}: {'; '.join(parts)}"


def _document_lines(first: Path, second: Path) -> Iterator[str]:
    for name in (FIT, BIAS, CORRECTION):
        paths = [folder / name for folder in (first, second)]
        there = [path.exists() for path in paths]
        if there[0] != there[1]:
            yield f"{name}: only in the {'first' if there[0] else 'second'}"
        elif all(there):
            changes = changed_leaves(*(flat_json(json.loads(path.read_bytes())) for path in paths))
            if changes:
                yield f"{name}: {len(changes)} values differ"


def _levels(first: Path, second: Path, tables: Mapping[str, TableDifference | None]) -> Iterator[str]:
    """Change of the mean full-band levels of each pile and station, the largest first; bands and weightings in one."""
    if tables.get("summary") is None:
        return
    one, other = (read_table(folder, "summary", "levels") for folder in (first, second))
    named = ["pile_id", "station_id", "installation_method", "abatement", "quantity", "weighting", "band_hz"]
    key = [name for name in named if name in one and name in other]
    joined = one.merge(other, on=key, suffixes=("_1", "_2"))
    joined["change"] = joined["mean_db_2"] - joined["mean_db_1"]
    full = joined["band_hz"].isna() & joined["weighting"].eq("none") & joined["quantity"].isin(_FULL_BAND)
    changes = joined[full & joined["change"].abs().gt(0)]
    rows = [
        (max(map(abs, values.values())), f"pile {pile} at {station}: {_by_quantity(values)}")
        for (pile, station), values in _grouped(changes)
    ]
    yield from (text for _, text in sorted(rows, key=lambda row: -row[0]))
    rest = joined.loc[~full, "change"].dropna()
    if rest.abs().gt(0).any():
        yield f"bands and weightings: {amount(float(rest.min()), '_db')} to {amount(float(rest.max()), '_db')}"


def _grouped(changes: pd.DataFrame) -> Iterator[tuple[tuple[str, str], dict[str, float]]]:
    states = [name for name in ("installation_method", "abatement") if name in changes]
    for key, group in changes.groupby(["pile_id", "station_id", *states]):
        values = dict(zip(group["quantity"], group["change"].astype(float), strict=True))
        yield (str(key[0]), str(key[1])), values


def _by_quantity(values: Mapping[str, float]) -> str:
    names = [name for name in _FULL_BAND if name in values]
    return ", ".join(f"{name.removesuffix('_level')} {amount(values[name], '_db')}" for name in names)


def _document(folder: Path, name: str, kind: type[Document]) -> Document | None:
    return read_document(folder / name, kind, "run") if (folder / name).exists() else None


def _biases(first: Path, second: Path) -> Iterator[str]:
    one, other = (_document(folder, BIAS, BiasDocument) for folder in (first, second))
    biases = [{_bias_name(b): b for b in d.biases} if isinstance(d, BiasDocument) else {} for d in (one, other)]
    rounded = 0
    for name in dict.fromkeys([*biases[0], *biases[1]]):
        before, after = biases[0].get(name), biases[1].get(name)
        if before is None or after is None:
            yield f"{name}: only in the {'first' if after is None else 'second'}"
        elif _by_rounding(before, after):
            rounded += 1
        elif before != after:
            yield f"{name}: {_bias_change(before, after)}"
    if rounded:
        yield f"{rounded} biases differ by rounding alone (less than {_ROUNDING:g})"
    thresholds = [
        {_threshold_name(t): t.measured_m for t in d.threshold_ranges} if isinstance(d, BiasDocument) else {}
        for d in (one, other)
    ]
    for name, before_m, after_m in changed_leaves(*thresholds):
        yield change_in_words(f"measured distance, {name}, range_m", before_m, after_m)


def _threshold_name(threshold: ThresholdComparison) -> str:
    parts = [threshold.prediction_id, threshold.quantity, threshold.weighting, threshold.foundation_type]
    parts += [threshold.abatement, threshold.statistic, f"{threshold.threshold_db:g} dB"]
    return ", ".join(part for part in parts if part)


def _by_rounding(before: Document, after: Document) -> bool:
    """Whether two documents differ, but by numbers alone and these by next to nothing."""
    changes = changed_leaves(flat(before), flat(after))
    sizes = [abs(b - a) if isinstance(a, float) and isinstance(b, float) else np.inf for _, a, b in changes]
    return bool(sizes) and max(sizes) < _ROUNDING


def _bias_name(bias: Bias) -> str:
    parts = [bias.prediction_id, bias.model_id, bias.statistic or "median", bias.quantity]
    parts += [] if bias.weighting == "none" else [bias.weighting]
    parts += [] if bias.band_hz is None else [f"{bias.band_hz:g} Hz"]
    parts += [] if bias.receiver is None else [bias.receiver]
    return ", ".join([*parts, bias.foundation_type, bias.abatement])


def _bias_change(before: Bias, after: Bias) -> str:
    text = (
        f"at {after.reference_range_m:g} m {before.bias_at_reference_db:.3f} to {after.bias_at_reference_db:.3f} dB "
        f"({amount(after.bias_at_reference_db - before.bias_at_reference_db, '_db')}), "
        f"mean {amount(after.mean_bias_db - before.mean_bias_db, '_db')}"
    )
    if before.finding != after.finding:
        text += f"; finding {before.finding} to {after.finding}"
    return text if before.n_pairs == after.n_pairs else f"{text}; pairs {before.n_pairs} to {after.n_pairs}"


def _fits(first: Path, second: Path) -> Iterator[str]:
    one, other = (_document(folder, FIT, FitDocument) for folder in (first, second))
    fits = [{_fit_name(f): f for f in d.fits if f.selected} if isinstance(d, FitDocument) else {} for d in (one, other)]
    rounded, names = 0, dict.fromkeys([*fits[0], *fits[1]])
    for name in sorted(names, key=lambda name: " Hz" in name):
        before, after = fits[0].get(name), fits[1].get(name)
        if before is None or after is None:
            yield f"{name}: only in the {'first' if after is None else 'second'}"
        elif _by_rounding(before, after):
            rounded += 1
        elif before != after:
            yield f"{name}: {_fit_change(before, after)}"
    if rounded:
        yield f"{rounded} fits differ by rounding alone (less than {_ROUNDING:g})"


def _fit_name(fit: Fit) -> str:
    parts = [fit.quantity or "level", *([] if fit.weighting == "none" else [fit.weighting])]
    parts += [] if fit.band_hz is None else [f"{fit.band_hz:g} Hz"]
    group = (fit.installation_method, fit.foundation_type, fit.abatement)
    return ", ".join([*parts, *(part for part in group if part)])


def _fit_change(before: Fit, after: Fit) -> str:
    model = f"{before.model} to {after.model}; " if before.model != after.model else ""
    now, then = after.coefficients, before.coefficients
    return (
        f"{model}level at {after.reference_range_m:g} m "
        f"{amount(now.level_at_reference_db.value - then.level_at_reference_db.value, '_db')}, N "
        f"{now.spreading_coefficient_db_per_decade.value - then.spreading_coefficient_db_per_decade.value:+.4f} dB per "
        f"decade, alpha {now.attenuation_db_per_km.value - then.attenuation_db_per_km.value:+.5f} dB/km"
    )


def _counts(first: Manifest, second: Manifest) -> Iterator[str]:
    counts = [{f"{s.stage}: {k}": v for s in m.stages for k, v in s.counts.items()} for m in (first, second)]
    yield from (change_in_words(*change) for change in changed_leaves(*counts))
    done = [", ".join(stage.stage for stage in m.stages) for m in (first, second)]
    if done[0] != done[1]:
        yield f"stages done: {done[0]}; {done[1]}"


def _chains(first: Manifest, second: Manifest) -> Iterator[str]:
    """Each chain that changed, what of it, and by how much a given sample now means a higher level."""
    chains = [_numbered_chains(manifest.chains) for manifest in (first, second)]
    for name in dict.fromkeys([*chains[0], *chains[1]]):
        before, after = chains[0].get(name), chains[1].get(name)
        if before is None or after is None:
            yield f"{name}: only in the {'first' if after is None else 'second'}"
        elif before != after:
            louder = float(2 * level_db(after.pascals_per_unit / before.pascals_per_unit))
            yield f"{name}: the same sample means {amount(louder if abs(louder) > 1e-9 else 0.0, '_db')} of level"
            yield from (f"{name}: {change_in_words(*change)}" for change in changed_leaves(flat(before), flat(after)))
    checks = [{f"{e.system_id}, {e.file}": e for e in m.field_checks} for m in (first, second)]
    for name in dict.fromkeys([*checks[0], *checks[1]]):
        if checks[0].get(name) != checks[1].get(name):
            yield f"field check of {name} differs"


def _numbered_chains(chains: tuple[ChainEntry, ...]) -> dict[str, ChainEntry]:
    """Chains by the system's name; further gains of one system by their number."""
    named: dict[str, ChainEntry] = {}
    for entry in chains:
        number = sum(other.system_id == entry.system_id for other in named.values())
        named[f"{entry.system_id} (gain {number + 1})" if number else entry.system_id] = entry
    return named


def _campaigns(first: Path, second: Path) -> Iterator[str]:
    one, other = (flat(read_document(folder / CAMPAIGN, Campaign, "levels")) for folder in (first, second))
    changes = changed_leaves(one, other)
    changes.sort(key=lambda change: not change[0].startswith("settings."))
    yield from (change_in_words(*change) for change in changes)


def _inputs(first: Manifest, second: Manifest) -> Iterator[str]:
    unknown = 0
    for name in dict.fromkeys([*first.inputs, *second.inputs]):
        if name not in first.inputs or name not in second.inputs:
            yield f"{name}: only in the {'first' if name in first.inputs else 'second'}"
        elif first.inputs[name] is None or second.inputs[name] is None:
            unknown += first.inputs[name] != second.inputs[name]
        elif first.inputs[name] != second.inputs[name]:
            yield f"{name}: another content (SHA-256 differs)"
    if unknown:
        yield f"{unknown} inputs were hashed in one run only: whether they are the same is not known"


def _versions(first: Manifest, second: Manifest) -> Iterator[str]:
    changes = changed_leaves(dict(first.versions), dict(second.versions))
    yield from (change_in_words(*change) for change in changes)


def _unusable(first: Manifest, second: Manifest) -> Iterator[str]:
    for kind in ("refused", "damaged"):
        changes = changed_leaves(dict(getattr(first, kind)), dict(getattr(second, kind)))
        yield from (f"{kind}: {change_in_words(*change)}" for change in changes)
