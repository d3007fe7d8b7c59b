"""Published thresholds of effect and national limits, each with its source, its date, and how sure the number is.

`standing`: `read` in the source or in a text that quotes it; `memory-high` recalled with confidence; `memory-medium`
recalled, not to be relied on before the document was read: it never fails a run. Limits and guidance change; the permit
decides. No set is compared unless the campaign names it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final, Literal

from reconcile.vocabulary.documents.document import Document
from reconcile.vocabulary.errors import suggestion

SourceType = Literal["impulsive", "non_impulsive", "any"]
CriterionQuantity = Literal["peak_level", "exposure_level", "rms_level", "max_125ms_level", "cumulative_exposure_level"]
CriterionStatistic = Literal["mean", "energy_mean", "median", "exceeded_5", "maximum"]
PeriodKind = Literal["pile", "utc_day", "local_day", "24_h_from_first_strike", "stated"]
DEFAULT_PERIOD: PeriodKind = "24_h_from_first_strike"
SLOPE_DB_PER_DECADE = 15.0  # by which levels are brought to a limit's distance unless the permit says otherwise


class Criterion(Document):
    """A level that measured ones are held against.

    `level_db` is re 1 µPa (peak, rms, 125 ms) or re 1 µPa² s (exposures). A `limit` can fail a run; a `threshold` (of
    an effect on animals) is held against the sound at the hydrophone and never does. `statistic` is that over the
    strikes of a pile; None for the loudest. `period` is what a cumulative level is summed over. `range_m` is the
    distance at which it holds, None for wherever a hydrophone was. `fleeing` receptors are no hydrophones: they need a
    speed and a start. `relation` is the sign printed before the number.
    """

    criteria_set: str
    kind: Literal["limit", "threshold"]
    subject: str
    effect: str = ""
    source_type: SourceType = "any"
    quantity: CriterionQuantity
    weighting: str = "none"
    statistic: CriterionStatistic | None = None
    level_db: float
    relation: Literal["", ">", ">>"] = ""
    range_m: float | None = None
    slope_db_per_decade: float = SLOPE_DB_PER_DECADE
    period: PeriodKind | None = None
    fleeing: bool = False
    fleeing_speed_m_s: float | None = None
    start_range_m: float | None = None
    source: str
    date: str
    standing: Literal["read", "memory-high", "memory-medium", "stated by the user"]
    note: str = ""


_NMFS_2018 = ("NMFS 2018 (version 2.0), Tables 3 and ES3", "2018")
_SOUTHALL_2019 = ("Southall et al. 2019, Tables 6 and 7, with errata, Aquatic Mammals 45(5)", "2019")
_NMFS_2024 = ("NMFS 2024 (version 3.0), Tables 5, ES3 and A.E-2", "October 2024")
# Marine mammals in water: TTS and injury by exposure, TTS and injury by peak (impulsive), TTS and injury by exposure
# (non-impulsive). Exposure is weighted and summed over 24 h, peak is not weighted. None: not printed.
_MAMMALS: dict[tuple[str, str, tuple[str, str]], dict[str, tuple[float | None, ...]]] = {
    ("nmfs-2018", "PTS", _NMFS_2018): {
        "LF": (None, 183, None, 219, 179, 199),
        "MF": (None, 185, None, 230, 178, 198),
        "HF": (None, 155, None, 202, 153, 173),
        "PW": (None, 185, None, 218, 181, 201),
        "OW": (None, 203, None, 232, 199, 219),
    },
    ("southall-2019", "PTS", _SOUTHALL_2019): {
        "LF": (168, 183, 213, 219, 179, 199),
        "HF": (170, 185, 224, 230, 178, 198),
        "VHF": (140, 155, 196, 202, 153, 173),
        "SI": (175, 190, 220, 226, 186, 206),
        "PCW": (170, 185, 212, 218, 181, 201),
        "OCW": (188, 203, 226, 232, 199, 219),
    },
    ("nmfs-2024", "AUD INJ", _NMFS_2024): {
        "LF": (168, 183, 216, 222, 177, 197),
        "HF": (178, 193, 224, 230, 181, 201),
        "VHF": (144, 159, 196, 202, 161, 181),
        "PW": (168, 183, 217, 223, 175, 195),
        "OW": (170, 185, 224, 230, 179, 199),
    },
}
_EXPOSURE: Final = "cumulative_exposure_level"
_PEAK: Final = "peak_level"
_POPPER = "Popper et al. 2014 (ASA S3/SC1.4 TR-2014), Table 7.3, pile driving"
_NO_BLADDER, _BLADDER = "fish without swim bladder", "fish with swim bladder not used in hearing"
_HEARING, _EGGS = "fish with swim bladder used in hearing", "eggs and larvae"
_MORTALITY, _RECOVERABLE = "mortality or potential mortal injury", "recoverable injury"
_FISH: tuple[tuple[str, str, CriterionQuantity, float, Literal["", ">", ">>"]], ...] = (
    (_NO_BLADDER, _MORTALITY, _EXPOSURE, 219, ">"),
    (_NO_BLADDER, _MORTALITY, _PEAK, 213, ">"),
    (_NO_BLADDER, _RECOVERABLE, _EXPOSURE, 216, ">"),
    (_NO_BLADDER, _RECOVERABLE, _PEAK, 213, ">"),
    (_NO_BLADDER, "TTS", _EXPOSURE, 186, ">>"),
    (_BLADDER, _MORTALITY, _EXPOSURE, 210, ""),
    (_BLADDER, _MORTALITY, _PEAK, 207, ">"),
    (_BLADDER, _RECOVERABLE, _EXPOSURE, 203, ""),
    (_BLADDER, _RECOVERABLE, _PEAK, 207, ">"),
    (_BLADDER, "TTS", _EXPOSURE, 186, ">"),
    (_HEARING, _MORTALITY, _EXPOSURE, 207, ""),
    (_HEARING, _MORTALITY, _PEAK, 207, ">"),
    (_HEARING, _RECOVERABLE, _EXPOSURE, 203, ""),
    (_HEARING, _RECOVERABLE, _PEAK, 207, ">"),
    (_HEARING, "TTS", _EXPOSURE, 186, ""),
    ("sea turtles", _MORTALITY, _EXPOSURE, 210, ""),
    ("sea turtles", _MORTALITY, _PEAK, 207, ">"),
    (_EGGS, _MORTALITY, _EXPOSURE, 210, ">"),
    (_EGGS, _MORTALITY, _PEAK, 207, ">"),
)


def _mammals() -> Iterator[Criterion]:
    for (guidance, injury, (source, date)), groups in _MAMMALS.items():
        for group, levels in groups.items():
            columns: tuple[tuple[SourceType, CriterionQuantity, str], ...] = (
                ("impulsive", "cumulative_exposure_level", "TTS"),
                ("impulsive", "cumulative_exposure_level", injury),
                ("impulsive", "peak_level", "TTS"),
                ("impulsive", "peak_level", injury),
                ("non_impulsive", "cumulative_exposure_level", "TTS"),
                ("non_impulsive", "cumulative_exposure_level", injury),
            )
            for (source_type, quantity, effect), level in zip(columns, levels, strict=True):
                if level is not None:
                    summed = quantity == "cumulative_exposure_level"
                    yield Criterion(
                        criteria_set=guidance, kind="threshold", subject=group, effect=effect, quantity=quantity,
                        source_type=source_type, weighting=f"{guidance}:{group}" if summed else "none", level_db=level,
                        period=DEFAULT_PERIOD if summed else None, source=source, date=date, standing="read",
                    )  # fmt: skip


def _popper() -> Iterator[Criterion]:
    for subject, effect, quantity, level, relation in _FISH:
        yield Criterion(
            criteria_set="popper-2014", kind="threshold", subject=subject, effect=effect, source_type="impulsive",
            quantity=quantity, level_db=level, relation=relation, source=_POPPER, date="2014", standing="memory-high",
            period=DEFAULT_PERIOD if quantity == _EXPOSURE else None,
            note="the time to sum over is not stated here; 24 h are taken" if quantity == _EXPOSURE else "",
        )  # fmt: skip


def _simple(
    criteria_set: str, source: str, date: str, standing: Literal["read", "memory-high"],
    rows: Iterable[tuple[str, str, SourceType, CriterionQuantity, str, float, PeriodKind | None]],
) -> Iterator[Criterion]:  # fmt: skip
    for subject, effect, source_type, quantity, weighting, level, period in rows:
        yield Criterion(
            criteria_set=criteria_set, kind="threshold", subject=subject, effect=effect, source_type=source_type,
            quantity=quantity, weighting=weighting, level_db=level, period=period, source=source, date=date,
            standing=standing,
        )  # fmt: skip


def _others() -> Iterator[Criterion]:
    turtle = "navy-2017:TU"
    yield from _simple(
        "fhwg-2008", "FHWG agreement in principle, June 2008; Stadler and Woodbury 2009", "June 2008", "read",
        (
            ("fish", "injury", "impulsive", "peak_level", "none", 206, None),
            ("fish of 2 g or more", "injury", "impulsive", "cumulative_exposure_level", "none", 187, "utc_day"),
            ("fish below 2 g", "injury", "impulsive", "cumulative_exposure_level", "none", 183, "utc_day"),
        ),
    )  # fmt: skip
    yield from _simple(
        "us-west-coast-practice", "NMFS West Coast practice", "not stated", "memory-high",
        (("fish", "behaviour", "any", "rms_level", "none", 150, None),),
    )  # fmt: skip
    yield from _simple(
        "us-behaviour", "NMFS practice: 160 dB impulsive or intermittent, 120 dB continuous", "not stated",
        "memory-high",
        (
            ("marine mammals", "behaviour", "impulsive", "rms_level", "none", 160, None),
            ("marine mammals", "behaviour", "non_impulsive", "rms_level", "none", 120, None),
        ),
    )  # fmt: skip
    yield from _simple(
        "tougaard-2021", "Tougaard 2021, Aarhus University, DCE Technical Report 225 (abstract)", "2021", "read",
        (("porpoises", "behaviour", "impulsive", "max_125ms_level", "southall-2019:VHF", 103, None),),
    )  # fmt: skip
    yield from _simple(
        "navy-2017", "US Navy 2017, Phase III criteria", "2017", "memory-high",
        (
            ("sea turtles", "TTS", "impulsive", "cumulative_exposure_level", turtle, 189, DEFAULT_PERIOD),
            ("sea turtles", "PTS", "impulsive", "cumulative_exposure_level", turtle, 204, DEFAULT_PERIOD),
            ("sea turtles", "TTS", "impulsive", "peak_level", "none", 226, None),
            ("sea turtles", "PTS", "impulsive", "peak_level", "none", 232, None),
            ("sea turtles", "TTS", "non_impulsive", "cumulative_exposure_level", turtle, 200, DEFAULT_PERIOD),
            ("sea turtles", "PTS", "non_impulsive", "cumulative_exposure_level", turtle, 220, DEFAULT_PERIOD),
            ("sea turtles", "behaviour", "any", "rms_level", "none", 175, None),
        ),
    )  # fmt: skip


def _national() -> Iterator[Criterion]:
    german = "3. WindSeeV, section 7(2); the same value in the BMU concept of 2013"
    yield Criterion(
        criteria_set="germany-windseev", kind="limit", subject="Germany", source_type="impulsive",
        quantity="exposure_level", statistic="exceeded_5", level_db=160, range_m=750, source=german,
        date="2013 (BMU concept)", standing="read",
        note="SEL05 in the ordinance; the statistic (level exceeded by 5 % of strikes) is recalled",
    )  # fmt: skip
    yield Criterion(
        criteria_set="germany-windseev", kind="limit", subject="Germany", source_type="impulsive",
        quantity="peak_level", statistic="maximum", level_db=190, range_m=750, source=german, date="2013 (BMU concept)",
        standing="read", note="no statistic at hand for the peak: every strike is the cautious reading",
    )  # fmt: skip
    yield Criterion(
        criteria_set="netherlands", kind="limit", subject="Netherlands", source_type="impulsive",
        quantity="exposure_level", level_db=168, range_m=750, source="site decisions", date="about 2016 to 2018",
        standing="memory-medium", note="earlier decisions varied with season and number of piles",
    )  # fmt: skip
    yield Criterion(
        criteria_set="belgium", kind="limit", subject="Belgium", source_type="impulsive", quantity="peak_level",
        level_db=185, range_m=750, source="Belgian implementation of the marine strategy framework directive",
        date="not stated", standing="memory-medium",
    )  # fmt: skip
    yield Criterion(
        criteria_set="denmark-2016", kind="limit", subject="Denmark", effect="PTS", source_type="impulsive",
        quantity="cumulative_exposure_level", level_db=190, period="pile", fleeing=True, fleeing_speed_m_s=1.5,
        source="Danish guideline 2016, porpoise", date="2016", standing="memory-medium",
    )  # fmt: skip
    for effect, level in (("PTS", 155), ("TTS", 140)):
        yield Criterion(
            criteria_set="denmark-2022", kind="limit", subject="Denmark", effect=effect, weighting="southall-2019:VHF",
            quantity="cumulative_exposure_level", level_db=level, period="pile", fleeing=True,
            source="Danish guideline 2022, porpoise", date="2022", standing="memory-high",
            note="a prognosis and a measurement are both required",
        )  # fmt: skip
    yield Criterion(
        criteria_set="denmark-2022", kind="limit", subject="Denmark", effect="behaviour", weighting="southall-2019:VHF",
        quantity="max_125ms_level", level_db=103, source="Danish guideline 2022 with Tougaard 2021", date="2022",
        standing="read",
    )  # fmt: skip
    yield Criterion(
        criteria_set="taiwan", kind="limit", subject="Taiwan", source_type="impulsive", quantity="exposure_level",
        level_db=160, range_m=750, source="environmental impact assessment commitments of offshore wind projects",
        date="not stated", standing="read", note="the statistic is not stated: every strike is the cautious reading",
    )  # fmt: skip


CRITERIA: tuple[Criterion, ...] = (*_mammals(), *_popper(), *_others(), *_national())
CRITERIA_SETS: tuple[str, ...] = tuple(dict.fromkeys(criterion.criteria_set for criterion in CRITERIA))


def criteria_of(criteria_set: str) -> tuple[Criterion, ...]:
    """The published criteria of a set, in the order of its table; none of an unknown set."""
    return tuple(criterion for criterion in CRITERIA if criterion.criteria_set == criteria_set)


def criteria_set_needed(name: str, others: Iterable[str] = ()) -> tuple[str, str]:
    """What a set's name must be, and perhaps what was meant, where this is none of the published or `others`."""
    known = (*CRITERIA_SETS, *others)
    return ("", "") if name in known else (f"one of {', '.join(known)}", suggestion(name, known))
