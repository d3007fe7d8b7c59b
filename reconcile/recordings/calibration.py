"""The measuring chain: from a sample value to pascals, stage by stage."""

from __future__ import annotations

from dataclasses import dataclass

from reconcile.vocabulary.documents.campaign import System


@dataclass(frozen=True, slots=True)
class ChainStage:
    """One stage of a chain as a reader would draw it: name, value, unit, and the units on either side."""

    name: str
    value: float
    unit: str
    from_unit: str
    to_unit: str


@dataclass(frozen=True, slots=True)
class Chain:
    """A measuring chain. `pascals_per_unit`: pressure in Pa of the sample value 1.0 (digital full scale)."""

    system_id: str
    pascals_per_unit: float
    stages: tuple[ChainStage, ...]


def chain(system: System) -> Chain:
    """The chain of a system in either form of the contract.

    p_Pa = sample * full_scale_v / 10^(gain_db/20) / 10^(sensitivity_db/20) * 1e-6, or
    p_Pa = sample / 10^(end_to_end_sensitivity_db/20) * 1e-6.
    """
    if system.end_to_end_sensitivity_db is not None:
        pascals = 1e-6 / 10.0 ** (system.end_to_end_sensitivity_db / 20.0)
        stage = ChainStage(
            "end to end", system.end_to_end_sensitivity_db, "dB re 1 (full scale)/µPa", "µPa", "full scale"
        )
        return Chain(system.id, pascals, (stage,))
    if system.sensitivity_db is None or system.gain_db is None or system.full_scale_v is None:
        raise ValueError(f"system {system.id}: neither form of the chain is complete")
    volts_per_upa = 10.0 ** ((system.sensitivity_db + system.gain_db) / 20.0)
    stages = (
        ChainStage("hydrophone", system.sensitivity_db, "dB re 1 V/µPa", "µPa", "V"),
        ChainStage("amplifier", system.gain_db, "dB", "V", "V"),
        ChainStage("converter", system.full_scale_v, "V (zero to peak) at full scale", "V", "full scale"),
    )
    return Chain(system.id, system.full_scale_v / volts_per_upa * 1e-6, stages)


def curve_correction(system: System) -> tuple[tuple[float, float], ...]:
    """Gain in dB by frequency that makes up for a system's sensitivity curve; empty without one.

    Relative to the single sensitivity by which `chain` turns samples to pascals.
    """
    if system.sensitivity_db is None:
        return ()
    return tuple((frequency, system.sensitivity_db - value) for frequency, value in system.sensitivity_curve)
