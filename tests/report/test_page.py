"""The whole page: what must be in it, what must not, and that it is the same each time."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pandas as pd
import pytest

from reconcile.report import page
from tests.report import small_evidence

HOSTILE = {
    "campaign": "<script>alert(1)</script> \"bank\" & 'co'",
    "P1": "<img src=x onerror=alert(2)>",
    "S1": '"><svg onload=alert(3)>',
    "H1": "=CMD|'/C calc'!A0",
    "prediction": "$x_1^2$ <b>mono</b>",
    "model": "_model </svg><script>4</script>",
    "abatement": "curtain $\\frac{1}{2}$ </style>",
    "file": "a<b>&\"c'",
}
_VOID = {"meta", "link", "br", "img", "input", "hr"}


class Reader(HTMLParser):
    """Counts elements, gathers visible text, attributes that ask for something, ids, and open elements at the end."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[str] = []
        self.text: list[str] = []
        self.asked: list[str] = []
        self.ids: list[str] = []
        self.handlers: list[str] = []
        self.referred: list[str] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        if tag not in _VOID:
            self.open.append(tag)
        for name, value in attrs:
            if name in ("src", "href", "xlink:href", "srcset", "action", "data", "poster"):
                self.asked.append(value or "")
            if name == "id":
                self.ids.append(value or "")
            if name.startswith("on"):
                self.handlers.append(f"{tag} {name}")
            self.referred += re.findall(r"url\(#([^)]+)\)", value or "")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in _VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> without a start"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in ("script", "style"):
            self.text.append(data)


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    reader.close()
    assert reader.open == []
    return reader


@pytest.fixture(scope="module")
def whole_page() -> str:
    return page(small_evidence.whole())


@pytest.fixture(scope="module")
def levels_page() -> str:
    return page(small_evidence.levels_only())


def test_every_number_of_the_summary_is_in_the_page_without_javascript(whole_page: str) -> None:
    text = " ".join(read(whole_page).text)
    table = small_evidence.summary()
    columns = ["median_db", "mean_db", "exceeded_5_db", "minimum_db", "maximum_db"]
    for value in table.loc[table["band_hz"].isna(), columns].to_numpy().ravel():
        assert pd.isna(value) or f"{value:.1f}" in text
    for column in ("measured_db", "upper_db", "completed_db"):
        assert all(f"{value:.1f}" in text for value in small_evidence.exposure()[column])


def test_findings_come_first_and_every_section_is_there(whole_page: str) -> None:
    places = [whole_page.index(f'<section id="{name}"') for name in (
        "finding", "bias", "level-range", "distances", "levels", "spectra", "time", "cumulative", "chain", "left-out",
        "settings", "method", "cautions",
    )]  # fmt: skip
    assert places == sorted(places)


def test_page_says_what_it_does_not_do_yet_and_that_it_decides_nothing(whole_page: str) -> None:
    text = " ".join(" ".join(read(whole_page).text).split())
    assert "did not hear have no row yet" in text
    assert "in the curves as limits" in text
    assert "screening aid" in text
    assert "licensed or competent acoustician" in text
    assert "it cannot be read" in text
    assert "it ends after 3 of 70 s" in text
    assert "the pile names no prediction" in text
    for source in ("ISO 18405:2017", "ISO 18406:2017", "IEC 61260-1:2014", "NMFS 2024"):
        assert source in text


def test_page_says_what_its_numbers_are(whole_page: str) -> None:
    text = " ".join(" ".join(read(whole_page).text).replace("\u00a0", " ").split())
    for sentence in (
        "sound pressure in the full band of the chain",
        "bandwidth times pulse duration is below about 3",
        "Use them together, and only between the nearest and the furthest measured distance",
        "2 dB between piles (worth 2 further piles), 1.5 dB between places (worth 2 further places)",
        "default of ±3 dB is common practice, no source",
        "strikes whose energy is not known are left out of it",
        "Added at 750 m",
        "Level at 750 m dB re 1 µPa² s",
    ):
        assert sentence in text
    for sentence in ("Louder than the sea", "left open", "nothing: marked", "hold between them only"):
        assert sentence not in text


def test_page_is_whole_without_fit_and_bias(levels_page: str) -> None:
    reader = read(levels_page)
    text = " ".join(reader.text)
    assert "have not been held against the measurements yet" in text
    assert "No curve has been fitted yet" in text
    assert reader.elements.count("svg") > 5
    assert 'id="bias"' not in levels_page
    assert "None" not in text
    assert "nan" not in text.lower().split()


def test_same_evidence_gives_the_same_bytes(whole_page: str) -> None:
    assert page(small_evidence.whole()) == whole_page


def test_nothing_is_asked_of_the_network(whole_page: str) -> None:
    reader = read(whole_page)
    assert all(asked.startswith("#") for asked in reader.asked)
    assert not re.search("https?:", whole_page)
    assert not re.search(r"@import|url\((?!#)", whole_page)


def test_ids_are_unique_and_every_reference_is_met(whole_page: str) -> None:
    reader = read(whole_page)
    assert len(reader.ids) == len(set(reader.ids))
    assert set(reader.referred) <= set(reader.ids)
    assert {asked[1:] for asked in reader.asked} <= set(reader.ids)


def test_only_our_own_script(whole_page: str) -> None:
    assert read(whole_page).elements.count("script") == 1


def test_hostile_names_are_inert_and_shown_as_they_are(whole_page: str) -> None:
    html = page(small_evidence.whole(HOSTILE))
    reader, plain = read(html), read(whole_page)
    assert reader.elements.count("script") == 1
    assert reader.handlers == []
    for element in ("svg", "style", "img", "b"):
        assert reader.elements.count(element) == plain.elements.count(element)
    text = " ".join(reader.text)
    for name in HOSTILE.values():
        assert name in text


def test_names_in_figures_are_no_formulas() -> None:
    html = page(small_evidence.whole({"S1": "$a_1$", "S2": "_b"}))
    axis = re.findall(r"<text[^>]*>([^<]*)</text>", html)
    assert "$a_1$" in axis
    assert "_b" in axis


def test_no_bare_abbreviations(whole_page: str) -> None:
    text = " ".join(read(whole_page).text)
    assert not re.search(r"\b(SPL|SEL|TL)\b", text)


def test_every_axis_names_unit_and_reference(whole_page: str) -> None:
    labels = set(re.findall(r"<text[^>]*>([^<]*)</text>", whole_page))
    for label in (
        "Level (dB re 1 µPa² s)",
        "Level (dB re 1 µPa)",
        "Horizontal distance from the pile (m)",
        "Bias: predicted minus measured (dB)",
        "Band exposure level (dB re 1 µPa² s)",
        "Decidecade centre frequency (Hz)",
        "(kJ)",
    ):
        assert label in labels


def test_campaign_without_strikes_or_streams() -> None:
    evidence = small_evidence.levels_only()
    none = evidence.strikes.iloc[:0]
    empty = type(evidence)(
        evidence.campaign.model_copy(update={"ranges": (), "predictions": ()}),
        evidence.manifest.model_copy(update={"streams": (), "recordings": (), "chains": ()}),
        none,
        evidence.bands.iloc[:0],
        evidence.summary.iloc[:0],
        evidence.exposure.iloc[:0],
        evidence.background.iloc[:0],
    )
    text = " ".join(read(page(empty)).text)
    assert "No strike of a pile was heard" in text
    assert "nothing to draw against range" in text
