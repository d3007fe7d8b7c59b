"""Field checks: a calibrator's tone gives the sensitivity of a whole chain, which is held against the stated one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import hypot, log, log10

import numpy as np

from reconcile.campaign.recording_files import check_file
from reconcile.campaign.stored_files import RecordingsFolder, StoredFile
from reconcile.recordings.calibration import chain, curve_correction
from reconcile.recordings.pcm import Samples
from reconcile.recordings.sensitivity_hints import hint
from reconcile.recordings.tone import NoTone, ToneMeasure, measure_tone
from reconcile.recordings.wav import Recording, UnusableRecordingError, decoder, open_recording
from reconcile.vocabulary.documents.campaign import Campaign, FieldCheck, System
from reconcile.vocabulary.documents.manifest import FieldCheckEntry

MOST_SAMPLES = 2**25  # of a check that are looked at: three minutes at 192 kHz
DISTORTION_REMARKED = 0.01


@dataclass(slots=True)
class CheckedCalibration:
    """All field checks of a campaign, and what was wrong with their recordings."""

    entries: tuple[FieldCheckEntry, ...] = ()
    files: dict[str, StoredFile] = field(default_factory=dict)  # that were opened, by name
    refused: dict[str, str] = field(default_factory=dict)  # recording: why it gives no sensitivity
    damaged: dict[str, str] = field(default_factory=dict)  # recording: what is missing; the rest is used
    warnings: list[str] = field(default_factory=list)


def stated_sensitivity_db(system: System, frequency_hz: float) -> float:
    """End-to-end sensitivity of a chain as stated, dB re (full scale)/µPa, at a frequency (by its curve, if any)."""
    stated = -20.0 * log10(chain(system).pascals_per_unit) - 120.0
    correction = curve_correction(system)
    if not correction:
        return stated
    at, gain_db = np.array(correction).T
    return stated - float(np.interp(log(frequency_hz), np.log(at), gain_db))


def field_sensitivity(system: System, check: FieldCheck, measure: ToneMeasure | NoTone) -> FieldCheckEntry:
    """What a check says of its system: S = 20 lg(rms in full scale) - level of the calibrator (rms, dB re 1 µPa).

    Its standard uncertainty combines the calibrator's and that of the tone's fit.
    """
    stated = stated_sensitivity_db(system, check.frequency_hz)
    entry = FieldCheckEntry(
        system_id=system.id,
        stated_sensitivity_db=stated,
        **check.model_dump(exclude={"standard_uncertainty_db"}),
    )
    if isinstance(measure, NoTone):
        return entry.model_copy(update={"problem": measure.reason})
    tone_level_db = 20.0 * log10(measure.rms)
    uncertainty = hypot(check.standard_uncertainty_db, measure.standard_uncertainty_db)
    difference = tone_level_db - check.level_db - stated
    return entry.model_copy(
        update={
            "measured_frequency_hz": measure.frequency_hz,
            "tone_level_db": tone_level_db,
            "tone_from_s": measure.from_s,
            "tone_to_s": measure.to_s,
            "distortion": measure.distortion,
            "sensitivity_db": tone_level_db - check.level_db,
            "difference_db": difference,
            "standard_uncertainty_db": uncertainty,
            "hint": hint(system, difference, uncertainty),
        }
    )


def check_calibration(campaign: Campaign, roots: Sequence[RecordingsFolder]) -> CheckedCalibration:
    """Measure the tone of every field check of a campaign; files are looked for in `roots`, in that order."""
    checked = CheckedCalibration()
    entries = []
    for system in campaign.systems:
        for check in system.checks:
            entry = field_sensitivity(system, check, _measure(check, roots, checked))
            if entry.problem:
                known = checked.refused.get(check.file)
                checked.refused[check.file] = f"{known}; {entry.problem}" if known else entry.problem
            entries.append(entry)
    checked.entries = tuple(entries)
    for system in campaign.systems:
        own = [entry for entry in entries if entry.system_id == system.id]
        checked.warnings += _warnings(system, own, campaign.settings.field_check_tolerance_db)
    return checked


def _measure(check: FieldCheck, roots: Sequence[RecordingsFolder], checked: CheckedCalibration) -> ToneMeasure | NoTone:
    path = check_file(check.file, roots)
    if path is None:
        return NoTone("it is not there")
    try:
        recording = open_recording(path, check.file)
        checked.files[check.file] = path
        if check.channel > recording.n_channels:
            return NoTone(f"the check needs channel {check.channel}, it has {recording.n_channels}")
        samples = _samples(recording, check.channel - 1, checked)
    except UnusableRecordingError as error:
        return NoTone(str(error))
    except OSError as error:
        return NoTone(f"cannot be decoded: {error.strerror or error}")
    return measure_tone(samples, recording.rate_hz, check.frequency_hz, recording.clip_value)


def _samples(recording: Recording, channel: int, checked: CheckedCalibration) -> Samples:
    """The samples of one channel, as many as are looked at; what is missing or left out is said."""
    if recording.shortfall:
        checked.damaged[recording.name] = f"cut short: {recording.shortfall}"
    if recording.n_frames > MOST_SAMPLES:
        length_s = MOST_SAMPLES / recording.rate_hz
        checked.warnings.append(f"{recording.name}: the field check is looked for in its first {length_s:.0f} s only")
    samples = np.empty((1, min(recording.n_frames, MOST_SAMPLES)), dtype=np.float32)
    with decoder(recording, [channel]) as source:
        at = 0
        while at < samples.shape[1] and (n := source.read(at, samples[:, at:])):
            at += n
    if at < samples.shape[1]:
        checked.damaged[recording.name] = f"breaks off after {at} of {recording.n_frames} frames"
    return samples[0, :at]


def _warnings(system: System, entries: Sequence[FieldCheckEntry], tolerance_db: float) -> Iterator[str]:
    """Checks that contradict the stated chain or each other beyond the tolerance, and tones that are not pure."""
    who = f"system {system.id}"
    usable = [entry for entry in entries if entry.difference_db is not None]
    for entry in usable:
        difference = entry.difference_db or 0.0
        if abs(difference) > tolerance_db:
            yield (
                f"{who}: the field check {entry.file} gives a sensitivity of {entry.sensitivity_db:.2f} dB "
                f"re (full scale)/µPa, {difference:+.2f} dB against the stated {entry.stated_sensitivity_db:.2f} dB "
                f"(tolerance {tolerance_db:g} dB)" + (f"; {entry.hint}" if entry.hint else "")
            )
        if (entry.distortion or 0.0) > DISTORTION_REMARKED:
            yield f"{who}: the tone in {entry.file} holds harmonics of {entry.distortion:.1%}"
    differences = [entry.difference_db or 0.0 for entry in usable]
    if usable and max(differences) - min(differences) > tolerance_db:
        drift = max(differences) - min(differences)
        yield f"{who}: its field checks lie {drift:.2f} dB apart (tolerance {tolerance_db:g} dB): the chain drifted"
