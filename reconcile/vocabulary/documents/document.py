"""What all documents have in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Document(BaseModel):
    """A frozen part of a JSON document: unknown keys are refused, NaN is written as null."""

    model_config = ConfigDict(frozen=True, extra="forbid", ser_json_inf_nan="null", protected_namespaces=())
