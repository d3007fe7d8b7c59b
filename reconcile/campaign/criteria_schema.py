"""What may be stated of a level that measured ones are held against: [[limits]], and a file of criteria."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from reconcile.campaign.schema_fields import Id, NotNegative, Part, Parts, Positive, a_group, needed
from reconcile.vocabulary.criteria import (
    SLOPE_DB_PER_DECADE,
    CriterionQuantity,
    CriterionStatistic,
    PeriodKind,
    SourceType,
)


class LevelPart(Part):
    """What a measured level is held against: shared by [[limits]] and a file of criteria."""

    quantity: CriterionQuantity
    weighting: Annotated[str, AfterValidator(a_group)] = "none"
    statistic: CriterionStatistic | None = None
    level_db: float
    range_m: Positive | None = None
    slope_db_per_decade: NotNegative = SLOPE_DB_PER_DECADE
    period: PeriodKind | None = None
    source_type: SourceType = "any"
    fleeing_speed_m_s: NotNegative | None = None
    start_range_m: Positive | None = None
    source: Annotated[str, Field(min_length=1, max_length=1000)]
    date: str = "not stated"
    note: str = ""

    @model_validator(mode="after")
    def _what_belongs_together(self) -> LevelPart:
        summed = self.quantity == "cumulative_exposure_level"
        if self.quantity == "peak_level" and self.weighting != "none":
            raise needed('weighting = "none": peak levels are not weighted')
        if self.period is not None and not summed:
            raise needed("no period: only a cumulative exposure has one")
        if self.statistic is not None and summed:
            raise needed("no statistic: a cumulative exposure is one sum")
        if (self.fleeing_speed_m_s is None) != (self.start_range_m is None):
            raise needed("fleeing_speed_m_s and start_range_m together, or neither")
        if self.start_range_m is not None and not summed:
            raise needed("neither fleeing_speed_m_s nor start_range_m: only an exposure is summed over a flight")
        return self


class LimitPart(LevelPart):
    """[[limits]]: what the permit asks for."""

    id: Id


class CriterionPart(LevelPart):
    """[[criteria]] of a file of criteria; `set` is the name by which the settings choose it."""

    set: Id
    kind: Literal["limit", "threshold"] = "limit"
    subject: str
    effect: str = ""


class CriteriaToml(Part):
    """A file of criteria."""

    criteria: Annotated[list[CriterionPart], Field(min_length=1)]


CRITERIA_PARTS: Parts = {(): CriteriaToml, ("criteria",): CriterionPart}
