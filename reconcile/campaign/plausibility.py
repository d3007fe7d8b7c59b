"""Whether a chain as stated can be meant: what no hydrophone or recorder has is noted, with the likely mistake."""

from __future__ import annotations

from math import log10

from reconcile.campaign.faults import Findings, plain
from reconcile.vocabulary.documents.campaign import System

MOST_SENSITIVE_DB = -120.0  # 1 V/Pa; hydrophones, their preamplifiers included, lie 30 dB and more below
LARGEST_FULL_SCALE_V = 100.0  # of any converter
FULL_SCALE_LEVEL_DB = (120.0, 260.0)  # peak pressure level at digital full scale of any recorder of piling
_PASCAL_DB = 120.0  # 20 lg of a pascal in micropascals


def note_implausible_chains(systems: tuple[System, ...], findings: Findings) -> None:
    """Note what is hardly meant in the chains of some systems, one note for each."""
    for system in systems:
        if text := implausible(system):
            findings.note(f"system {plain(system.id)}: {text}")


def implausible(system: System) -> str:
    """What is hardly meant in a stated chain, in words; empty where nothing is."""
    highest = max((value for _, value in system.sensitivity_curve), default=system.sensitivity_db)
    if highest is not None and highest > MOST_SENSITIVE_DB:
        return (
            f"a hydrophone of {highest:g} dB re 1 V/µPa is too sensitive to be one; is it re 1 V/Pa? "
            f"Then {highest - _PASCAL_DB:g} dB re 1 V/µPa would be written"
        )
    if system.full_scale_v is not None and system.full_scale_v > LARGEST_FULL_SCALE_V:
        return f"a converter of {system.full_scale_v:g} V at full scale hardly exists; is full_scale_v in millivolts?"
    level = full_scale_level_db(system)
    low, high = FULL_SCALE_LEVEL_DB
    if level is None or low <= level <= high:
        negative = system.gain_db is not None and system.gain_db < 0
        return f"a gain of {system.gain_db:g} dB attenuates; is its sign meant so?" if negative else ""
    return (
        f"digital full scale is a sound pressure level of {level:.1f} dB re 1 µPa, which no such recorder has "
        f"({low:g} to {high:g} dB); check the sensitivity's reference (1 µPa, not 1 Pa), the gain and its sign"
    )


def full_scale_level_db(system: System) -> float | None:
    """Peak sound pressure level of digital full scale, dB re 1 µPa; None where the chain is not complete."""
    if system.end_to_end_sensitivity_db is not None:
        return -system.end_to_end_sensitivity_db
    if system.sensitivity_db is None or system.gain_db is None or system.full_scale_v is None:
        return None
    return 20.0 * log10(system.full_scale_v) - system.gain_db - system.sensitivity_db
