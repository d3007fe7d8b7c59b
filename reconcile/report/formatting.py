"""Numbers, distances and times as people read them. A number is rounded to what its uncertainty allows."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime

MISSING = "–"
_NARROW_SPACE = "\u202f"  # between groups of three digits, never broken
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=(?:%|dB|m|km|Hz|kHz|kJ|kPa|Pa|s)\b|%)")


def known(value: float | None) -> bool:
    """Whether there is a number: neither null nor NaN nor infinite."""
    return value is not None and math.isfinite(value)


def decibels(value: float | None, digits: int = 1) -> str:
    """A level or difference to 0.1 dB, with a true minus sign and never a negative zero."""
    if value is None or not math.isfinite(value):
        return MISSING
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")


def signed(value: float | None, digits: int = 1) -> str:
    """A difference with its sign, zero without one."""
    text = decibels(value, digits)
    if value is None or text == MISSING or round(value, digits) <= 0:
        return text
    return f"+{text}"


def between(low: float | None, high: float | None, *, with_sign: bool = False) -> str:
    """An interval in words: `0.9 to 3.9`. An end close to zero has the digits that show on which side it lies."""
    show = signed if with_sign else decibels
    return f"{show(low, _digits(low))} to {show(high, _digits(high))}"


def _digits(value: float | None) -> int:
    """One digit after the point, or as many as it takes (four at most) for a value that is not zero to show."""
    if value is None or not math.isfinite(value) or value == 0:
        return 1
    return next((digits for digits in (1, 2, 3) if round(value, digits)), 4)


def count(value: float | None) -> str:
    """A whole number, in groups of three digits from five digits on."""
    if value is None or not math.isfinite(value):
        return MISSING
    whole = int(value)
    return f"{whole:,}".replace(",", _NARROW_SPACE) if abs(whole) >= 10_000 else str(whole)


def metres(value: float | None) -> str:
    """A distance to the metre."""
    return count(None if value is None or not math.isfinite(value) else round(value))


def distance_step_m(low: float | None, high: float | None) -> int:
    """The step to which a distance with this interval is worth stating: two digits of half its width, 1 m or more."""
    if low is None or high is None or not high > low:
        return 10
    return int(10 ** max(0, math.floor(math.log10((high - low) / 2.0)) - 1))


def distance(value: float | None, step_m: int = 1) -> str:
    """A distance in metres, rounded to a step; a finer one where it would come out as no distance at all."""
    if value is None or not math.isfinite(value):
        return MISSING
    while 0 < value < step_m / 2 and step_m > 1:
        step_m //= 10
    return count(round(value / step_m) * step_m)


def significant(value: float | None, digits: int = 3) -> str:
    """A number to some significant digits, without an exponent where that can be helped."""
    if value is None or not math.isfinite(value):
        return MISSING
    if value == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{places}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text).replace("-", "−")


def with_error(value: float, standard_error: float, most_digits: int = 3) -> str:
    """A value and its standard error, both to two digits of the error, at most some digits after the point."""
    digits = 1 if standard_error <= 0 else max(0, 1 - math.floor(math.log10(standard_error)))
    digits = min(digits, most_digits)
    return f"{decibels(value, digits)} ± {decibels(standard_error, digits)}"


def hertz(value: float | None) -> str:
    """A frequency in Hz, or kHz from 10 kHz on."""
    if value is None or not math.isfinite(value):
        return MISSING
    return f"{significant(value / 1000.0)} kHz" if value >= 10_000 else f"{significant(value, 4)} Hz"


def percent(value: float | None) -> str:
    """A share in percent; never 100 % for less than the whole."""
    if value is None or not math.isfinite(value):
        return MISSING
    whole = round(100.0 * value)
    return f"{whole} %" if whole < 100 or value >= 1.0 else "> 99 %"


def length_of_time(seconds: float) -> str:
    """A duration in the two largest units that it has."""
    whole = round(seconds)
    days, rest = divmod(whole, 86_400)
    hours, rest = divmod(rest, 3600)
    minutes, left = divmod(rest, 60)
    parts = [(days, "d"), (hours, "h"), (minutes, "min"), (left, "s")]
    first = next((i for i, (amount, _) in enumerate(parts) if amount), 3)
    shown = [(amount, unit) for amount, unit in parts[first : first + 2] if amount] or [(0, "s")]
    return " ".join(f"{amount} {unit}" for amount, unit in shown)


def exact_time(seconds: float) -> str:
    """A duration in hours, minutes and seconds: `6 h 32 min 40 s`."""
    minutes, left = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    parts = [(hours, "h"), (minutes, "min"), (left, "s")]
    return " ".join(f"{amount} {unit}" for amount, unit in parts if amount) or "0 s"


def unbroken(text: str) -> str:
    """The text with spaces between a number and its unit that no line is broken at."""
    return _NUMBER_AND_UNIT.sub("\u00a0", text)


def instant(moment: datetime) -> str:
    """A time to the second, in UTC: `2031-05-12 08:30:04`."""
    return moment.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S")


def day(moment: datetime) -> str:
    """A day in words: `12 May 2031`."""
    utc = moment.astimezone(UTC)
    months = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
              "November", "December")  # fmt: skip
    return f"{utc.day} {months[utc.month - 1]} {utc.year}"
