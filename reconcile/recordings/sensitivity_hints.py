"""Known mistakes in stating a chain, by how far a field check's sensitivity lies from the stated one."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.vocabulary.documents.campaign import System

NEAR_DB = 0.3  # how close a difference must lie to a mistake's, unless the check is less certain than that
_FURTHEST_DB = 1.0
_RMS_DB, _PEAK_TO_PEAK_DB = 3.0103, 6.0206  # 20 lg of the square root of two, and of two
_PASCAL_DB, _BYTE_DB, _AIR_DB = 120.0, 48.1648, 26.0206  # 20 lg of 10^6, of 256, of 20


def hint(system: System, difference_db: float, standard_uncertainty_db: float) -> str:
    """What a difference (derived minus stated sensitivity, dB) points to, in plain words; empty where to nothing known.

    A mistake is named if the difference lies within 0.3 dB of it, or within two standard uncertainties (at most 1 dB).
    """
    near = min(max(NEAR_DB, 2 * standard_uncertainty_db), _FURTHEST_DB)
    found = [(abs(difference_db - size), text) for size, text in _mistakes(system) if abs(difference_db - size) <= near]
    texts = [text for _, text in sorted(found, key=lambda item: item[0])]
    return f"about {difference_db:+.2f} dB: {'; or '.join(texts)}" if texts else ""


def _mistakes(system: System) -> Iterator[tuple[float, str]]:
    """Difference that each mistake gives, and its words."""
    if system.full_scale_v is not None:
        yield -_RMS_DB, "full_scale_v looks like an rms value; zero to peak is needed, 1.414 times as much"
        yield _RMS_DB, "full_scale_v looks 1.414 times too large; it is the zero-to-peak value as it stands"
        yield _PEAK_TO_PEAK_DB, "full_scale_v looks like a peak-to-peak value; zero to peak is half of it"
        yield -_PEAK_TO_PEAK_DB, "full_scale_v looks like half of what it is: one side of a balanced input?"
    else:
        yield -_RMS_DB, "the end-to-end sensitivity looks like that of an rms full scale; sample value 1.0 is a peak"
        yield _RMS_DB, "the end-to-end sensitivity looks 3.01 dB short: rms taken for peak twice?"
        yield _PEAK_TO_PEAK_DB, "the end-to-end sensitivity looks like that of a peak-to-peak full scale"
        yield -_PEAK_TO_PEAK_DB, "the end-to-end sensitivity looks like that of half the full scale"
    yield -_RMS_DB, "the calibrator's level_db looks like a peak level; its rms level is 3.01 dB lower"
    if system.gain_db:
        gain = f"gain_db ({system.gain_db:g} dB)"
        yield -system.gain_db, f"{gain} is stated, but was not on, or sensitivity_db holds it already"
        yield system.gain_db, f"{gain} acts twice: is there another stage of the same gain?"
        yield -2 * system.gain_db, f"{gain} has the wrong sign"
    where = "end_to_end_sensitivity_db" if system.end_to_end_sensitivity_db is not None else "sensitivity_db"
    yield -_PASCAL_DB, f"{where} looks stated re 1 Pa; re 1 µPa it is 120 dB lower"
    yield _PASCAL_DB, f"{where} looks 120 dB too low: already re 1 µPa, and converted once more?"
    yield -_BYTE_DB, "24-bit samples in the lower bytes of 32-bit words: their full scale is 48.16 dB lower"
    yield _BYTE_DB, "24-bit samples taken for 32-bit ones when the chain was stated: 48.16 dB"
    yield _AIR_DB, "the calibrator's level_db looks stated re 20 µPa, as in air; re 1 µPa it is 26.02 dB higher"
