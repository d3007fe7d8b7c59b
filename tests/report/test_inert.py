"""Texts that other programs would run or render: kept as texts."""

from __future__ import annotations

import json

import pytest

from reconcile.report.inert import inert_cell, inert_json


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r", "\n"])
def test_formula_signs_are_behind_an_apostrophe(sign: str) -> None:
    assert inert_cell(f"{sign}CMD|' /C calc'!A0") == f"'{sign}CMD|' /C calc'!A0"


@pytest.mark.parametrize("text", ["", "P1", "'=1", "a=b", "1-2", "<b>"])
def test_other_texts_stay_as_they_are(text: str) -> None:
    assert inert_cell(text) == text


def test_json_holds_the_same_content_without_markup() -> None:
    content = {"</script><script>alert('x')</script>": ["a & b", 'quote " here', "=1+1", 1.5, None, "ä"]}
    for indent in (1, None):
        text = inert_json(content, indent)
        assert not set("<>&") & set(text)
        assert json.loads(text) == content
    with pytest.raises(ValueError, match="JSON"):
        inert_json({"level": float("nan")})
