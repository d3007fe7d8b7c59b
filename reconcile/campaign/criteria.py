"""What a campaign holds its levels against: published sets by name, sets of a file, limits of a permit."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pydantic import ValidationError

from reconcile.campaign.criteria_schema import CRITERIA_PARTS, CriteriaToml, CriterionPart, LevelPart, LimitPart
from reconcile.campaign.faults import Findings, shown
from reconcile.campaign.schema_faults import add_schema_faults
from reconcile.campaign.toml_files import read_toml
from reconcile.vocabulary.criteria import CRITERIA_SETS, DEFAULT_PERIOD, Criterion, criteria_of, criteria_set_needed

FILE = "campaign.toml"


def chosen_criteria(
    names: Sequence[str], file: str | None, limits: Sequence[LimitPart], folder: Path, findings: Findings
) -> tuple[Criterion, ...]:
    """All criteria that a campaign names, in the order in which it does; `limits` last.

    A name that is neither a published set nor one of the file is a fault; so is a set of the file that bears a
    published name.
    """
    own = {} if file is None else read_criteria(folder, file, findings)
    for i, name in enumerate(names):
        what, hint = ("", "") if own is None else criteria_set_needed(name, own)
        if what:
            findings.fault(FILE, f"settings.criteria[{i}]", shown(name), what, hint)
    for name in own or {}:
        if name not in names:
            findings.note(f"{file}: the set {shown(name)} is not named in settings.criteria; it is not used")
    sets = [(own or {}).get(name) or criteria_of(name) for name in dict.fromkeys(names)]
    return (*(one for found in sets for one in found), *(_limit(part) for part in limits))


def read_criteria(folder: Path, name: str, findings: Findings) -> dict[str, tuple[Criterion, ...]] | None:
    """The sets of a file of criteria, by name; None with faults where it cannot be used."""
    path = folder / name
    if not path.is_file() or path.resolve().parent != folder.resolve():
        findings.fault(FILE, "settings.criteria_file", shown(name), "a TOML file in the campaign folder itself")
        return None
    raw = read_toml(path, name, findings)
    if raw is None:
        return None
    try:
        parts = CriteriaToml.model_validate(raw).criteria
    except ValidationError as error:
        add_schema_faults(error, name, findings, CRITERIA_PARTS)
        return None
    sets: dict[str, list[Criterion]] = {}
    for i, part in enumerate(parts):
        if part.set in CRITERIA_SETS:
            findings.fault(name, f"criteria[{i}].set", shown(part.set), "a name that no published set has")
        sets.setdefault(part.set, []).append(_criterion(part))
    return {key: tuple(found) for key, found in sets.items()}


def _limit(part: LimitPart) -> Criterion:
    return Criterion(criteria_set=part.id, kind="limit", subject="permit", **_level(part))


def _criterion(part: CriterionPart) -> Criterion:
    return Criterion(criteria_set=part.set, kind=part.kind, subject=part.subject, effect=part.effect, **_level(part))


def _level(part: LevelPart) -> dict[str, object]:
    values = {key: getattr(part, key) for key in LevelPart.model_fields}
    if part.quantity == "cumulative_exposure_level" and part.period is None:
        values["period"] = "pile" if part.start_range_m is not None else DEFAULT_PERIOD
    return values | {"fleeing": part.start_range_m is not None, "standing": "stated by the user"}
