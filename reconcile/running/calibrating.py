"""Field checks before the levels: measured, named where they cannot be used, and turned into what levels follow."""

from __future__ import annotations

from collections.abc import Sequence

from reconcile.campaign.stored_files import RecordingsFolder
from reconcile.recordings.field_checks import CheckedCalibration, check_calibration
from reconcile.recordings.sensitivity_path import (
    SensitivityPaths,
    sensitivity_paths,
    station_spans,
    usable_checks,
    with_effective_uncertainty,
)
from reconcile.recordings.streams import Inventory
from reconcile.vocabulary.documents.campaign import Campaign
from reconcile.vocabulary.documents.manifest import FieldCheckEntry
from reconcile.vocabulary.errors import Fault, InputError


def calibrated(
    campaign: Campaign, roots: Sequence[RecordingsFolder], inventory: Inventory
) -> tuple[Campaign, CheckedCalibration, SensitivityPaths]:
    """The campaign with its systems' effective uncertainties, its field checks, and the sensitivity that levels follow.

    What cannot be used, and what the checks say against the stated chains, joins the inventory. Raises InputError where
    levels are to follow field checks and a system in use has none that can be used.
    """
    checked = check_calibration(campaign, roots)
    spans = station_spans(inventory.streams)
    if campaign.settings.calibration_source == "field_checks":
        _need_checks(campaign, checked, {system_id for _, system_id in spans})
    paths, oddities = sensitivity_paths(checked.entries, campaign.settings, spans)
    used = {recording.name for recording in inventory.recordings}
    for name, reason in checked.refused.items():
        (inventory.damaged if name in used else inventory.refused)[name] = f"field check: {reason}"
    inventory.damaged.update({name: reason for name, reason in checked.damaged.items() if name not in checked.refused})
    inventory.warnings += [*checked.warnings, *oddities]
    return with_effective_uncertainty(campaign, checked.entries), checked, paths


def check_lines(entries: Sequence[FieldCheckEntry]) -> list[str]:
    """A line for each field check that can be used: what it measured, and how far that lies from the stated chain."""
    return [
        f"Field check {entry.file} of {entry.system_id}: {entry.measured_frequency_hz:.2f} Hz, sensitivity "
        f"{entry.sensitivity_db:.2f} dB re (full scale)/µPa, {entry.difference_db:+.2f} dB against the stated one, "
        f"standard uncertainty {entry.standard_uncertainty_db:.2f} dB"
        for entry in entries
        if not entry.problem
    ]


def _need_checks(campaign: Campaign, checked: CheckedCalibration, used: set[str]) -> None:
    faults = []
    for number, system in enumerate(campaign.systems):
        if system.id in used and not usable_checks(checked.entries, system.id):
            problems = [f"{e.file}: {e.problem}" for e in checked.entries if e.system_id == system.id]
            found = "; ".join(problems) or "no [[systems.checks]]"
            needed = 'a field check that can be used, or calibration_source = "certificate"'
            faults.append(Fault("campaign.toml", f"systems[{number}].checks", found, needed))
    if faults:
        raise InputError(faults)
