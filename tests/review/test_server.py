"""The review page's server: what it answers, whom it refuses, and that no request makes it fall over."""

from __future__ import annotations

import csv
import io
import json
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pandas as pd
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reconcile.running.levels_stage import levels
from reconcile.running.reviewing import make_envelopes, open_review
from reconcile.vocabulary.errors import MachineError
from tests.decided_campaign import Decidable, write_decidable

pytest.importorskip("uvicorn")
testclient = pytest.importorskip("starlette.testclient")
from reconcile.review.guard import Door  # noqa: E402 - starlette is an extra
from reconcile.review.server import page_files, review_app  # noqa: E402
from reconcile.review.serving import door_of  # noqa: E402

BASE, ORIGIN = "http://127.0.0.1:8437", {"origin": "http://127.0.0.1:8437"}
DOOR = Door("the-token", 8437, frozenset({"127.0.0.1", "localhost"}))
KINDS = {"f4": np.float32, "f8": np.float64, "i2": np.int16, "i4": np.int32, "u1": np.uint8}


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Decidable:
    made = write_decidable(tmp_path_factory.mktemp("served") / "campaign")
    levels(made.folder, made.folder / "results", workers=1)
    return made


@pytest.fixture(scope="module")
def app(campaign: Decidable) -> Any:
    def opened() -> Any:
        review = open_review(campaign.folder, campaign.folder / "results")
        list(make_envelopes(review))
        return review

    return review_app(opened(), DOOR, opened)


@pytest.fixture
def client(app: Any, campaign: Decidable) -> Iterator[Any]:
    """A browser that has opened the page by its address."""
    made = testclient.TestClient(app, base_url=BASE)
    assert made.get("/?token=the-token").status_code == 200
    yield made
    (campaign.folder / "decisions.csv").unlink(missing_ok=True)


def unpacked(body: bytes) -> dict[str, Any]:
    """As the page reads it, written here once more."""
    (length,) = struct.unpack("<I", body[:4])
    head: dict[str, Any] = json.loads(body[4 : 4 + length])
    for name, (kind, at, n) in head.pop("arrays").items():
        head[name] = np.frombuffer(body, KINDS[kind], n, 4 + length + at)
    return head


def knock_of(client: Any, campaign: Decidable) -> tuple[dict[str, Any], int]:
    """The strikes of NEAR, and which of them is the knock."""
    rows = unpacked(client.get("/api/strikes", params={"station": "NEAR"}).content)
    at = int(np.argmin(np.abs(rows["time_us"] - campaign.utc(campaign.knock_s).timestamp() * 1e6)))
    return rows, at


def decision_about(time_us: float, seen: str, **other: Any) -> dict[str, Any]:
    text = str(np.datetime_as_string(np.datetime64(int(time_us), "us"), unit="us")) + "Z"
    given = {"seen": seen, "who": "AB", "station_id": "NEAR", "time_utc": text, "action": "reject", "reason": "chain"}
    return given | other


def test_the_page_and_nothing_else(client: Any) -> None:
    page = client.get("/")
    assert page.headers["content-type"].startswith("text/html")
    policy = page.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    names = {name for name, _, _ in page_files()}
    assert {"index.html", "style.css", "main.js"} <= names
    for name in names:
        text = client.get(f"/page/{name}").text
        assert "http://" not in text.replace("http://www.w3.org/2000/svg", "")
        assert "https://" not in text
    for path in ("/page/../server.py", "/page/%2e%2e/server.py", "/page//etc/passwd", "/decisions.csv", "/page/"):
        assert client.get(path).status_code == 404


def test_rows_by_column(client: Any, campaign: Decidable) -> None:
    told = client.get("/api/campaign").json()
    assert [station["id"] for station in told["stations"]] == ["NEAR", "FAR"]
    rows, knock = knock_of(client, campaign)
    strikes = pd.read_parquet(campaign.folder / "results" / "strikes.parquet")
    own = strikes[strikes["station_id"] == "NEAR"].sort_values("time_utc")
    found = rows["rejected"] == 0
    assert np.array_equal(rows["time_us"][found], own["time_utc"].astype("int64"))
    np.testing.assert_allclose(rows["exposure_level_db"][found], own["exposure_level_db"], atol=1e-4)
    assert (rows["rejected"] == 1).sum() >= 1
    assert "not_in_log" in rows["flag_sets"][rows["flags"][knock]]
    assert "one_place_only" in rows["doubt_sets"][rows["doubts"][knock]]
    assert "one_place_only" in told["doubts"]
    assert told["doubts"]["blow_number_doubtful"]["weight"] == 0.5


def test_a_strike_to_see_and_to_hear(client: Any, campaign: Decidable) -> None:
    rows, knock = knock_of(client, campaign)
    named = {"place": int(rows["place"][knock]), "opened": rows["opened"]}
    view = unpacked(client.get("/api/view", params=named).content)
    start = (view["interval_us"] / 1e6 + view["energy_5_s"]) * 1e6
    assert start == pytest.approx(rows["time_us"][knock], abs=2)
    size = view["spectrogram"]["n_times"] * view["spectrogram"]["n_frequencies"]
    assert len(view["level_cdb"]) == size == len(view["time_s"]) * len(view["frequency_hz"])
    assert np.abs(view["pressure_pa"]).max() == pytest.approx(10 ** (view["row"]["peak_level_db"] / 20 - 6), rel=1e-3)
    slow = client.get("/api/sound", params=named | {"speed": 0.25, "gain": -6})
    samples, rate = soundfile.read(io.BytesIO(slow.content))
    assert len(samples) / rate == pytest.approx(4 * len(view["pressure_pa"]) / view["rate_hz"], rel=0.01)
    assert client.get("/api/sound", params=named | {"speed": 9}).status_code == 400
    assert client.get("/api/view", params=named | {"opened": "before"}).status_code == 410
    assert client.get("/api/view", params=named | {"place": 10**6}).status_code == 400


def test_envelope_and_pressure(client: Any, campaign: Decidable) -> None:
    from_us = int(campaign.utc(0.0).timestamp() * 1e6)
    asked = {"station": "NEAR", "from": from_us, "to": from_us + 40_000_000, "n": 400}
    found = unpacked(client.get("/api/levels", params=asked).content)
    loud = np.flatnonzero(found["highest"] > 140.0) / 10
    assert np.abs(loud[:, None] - np.array(campaign.strikes_s)).min(axis=0).max() < 0.2
    assert client.get("/api/pressure", params=asked).status_code == 400  # more than 15 s
    near = unpacked(client.get("/api/pressure", params=asked | {"to": from_us + 10_000_000}).content)
    assert near["highest"].max() > 10.0


def test_next_doubtful_leaves_out_what_is_decided(client: Any, campaign: Decidable) -> None:
    told = client.get("/api/campaign").json()
    first = client.get("/api/next", params={"opened": told["opened"], "place": -1}).json()
    rows, knock = knock_of(client, campaign)
    assert first["place"] == rows["place"][knock]
    asked = decision_about(rows["time_us"][knock], told["version"])
    assert client.post("/api/decide", json=asked, headers=ORIGIN).status_code == 200
    after = client.get("/api/next", params={"opened": told["opened"], "place": -1}).json()
    assert after["place"] != first["place"]
    assert after["n_left"] == first["n_left"] - 1
    none = {"opened": told["opened"], "place": -1, "flags": "no_such_flag"}
    assert client.get("/api/next", params=none).json() == {"place": None, "n": 0, "n_left": 0}


def test_a_decision_and_one_on_what_was_seen_before(client: Any, campaign: Decidable) -> None:
    """The second window still has the old version: nothing of it is written, and it can learn what changed."""
    rows, knock = knock_of(client, campaign)
    seen = client.get("/api/decisions").json()["version"]
    first = client.post("/api/decide", json=decision_about(rows["time_us"][knock], seen), headers=ORIGIN)
    assert first.status_code == 200
    before = (campaign.folder / "decisions.csv").read_bytes()
    late = decision_about(rows["time_us"][knock], seen, action="accept")
    refused = client.post("/api/decide", json=late, headers=ORIGIN)
    assert refused.status_code == 409
    assert refused.json()["conflict"]
    assert (campaign.folder / "decisions.csv").read_bytes() == before
    now = client.get("/api/decisions").json()
    assert [line["action"] for line in now["decisions"]] == ["reject"]
    assert client.post("/api/decide", json=late | {"seen": now["version"]}, headers=ORIGIN).status_code == 200
    undo = decision_about(rows["time_us"][knock], client.get("/api/decisions").json()["version"], action="undo")
    lines = client.post("/api/decide", json=undo, headers=ORIGIN).json()["decisions"]
    assert [line["undone_by"] for line in lines] == [None, 4, None]
    with (campaign.folder / "decisions.csv").open(encoding="utf-8", newline="") as stream:
        assert [row["action"] for row in csv.DictReader(stream)] == ["reject", "accept", "undo"]


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"reason": ""}, 422),
        ({"who": " "}, 422),
        ({"action": "forget"}, 422),
        ({"station_id": "../NEAR"}, 422),
        ({"time_utc": "yesterday"}, 422),
        ({"time_utc": "2025-05-01T08:00:00.5Z"}, 422),
        ({"new_time_utc": "2025-05-01T08:00:00.5Z"}, 422),
        ({"reason": 5}, 400),
        ({"path": "/etc/passwd"}, 400),
        ({"seen": "another"}, 409),
        ({"reason": "x" * 20_000}, 413),
    ],
)
def test_decisions_that_are_refused(client: Any, campaign: Decidable, change: dict[str, Any], status: int) -> None:
    rows, knock = knock_of(client, campaign)
    seen = client.get("/api/decisions").json()["version"]
    asked = decision_about(rows["time_us"][knock], seen) | change
    assert client.post("/api/decide", json=asked, headers=ORIGIN).status_code == status
    assert not (campaign.folder / "decisions.csv").exists()


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 403),  # no origin named
        ({"origin": "http://evil.example"}, 403),
        ({"origin": "null"}, 403),
        ({"origin": "http://127.0.0.1:9999"}, 403),
        ({"origin": "https://127.0.0.1:8437"}, 403),
        ({**ORIGIN, "sec-fetch-site": "cross-site"}, 403),
        ({**ORIGIN, "content-type": "text/plain"}, 415),
        ({**ORIGIN, "host": "evil.example:8437"}, 421),
        ({**ORIGIN, "host": "127.0.0.1"}, 421),
    ],
)
def test_another_page_cannot_write(client: Any, campaign: Decidable, headers: dict[str, str], status: int) -> None:
    given = {"content-type": "application/json", **headers}
    rows, knock = knock_of(client, campaign)
    body = json.dumps(decision_about(rows["time_us"][knock], ""))
    assert client.post("/api/decide", content=body, headers=given).status_code == status
    assert not (campaign.folder / "decisions.csv").exists()


@pytest.mark.parametrize(
    "path", ["/", "/?token=guess", "/page/main.js", "/api/campaign", "/api/campaign?token=the-token"]
)
def test_without_the_token_nothing_is_told(app: Any, path: str) -> None:
    stranger = testclient.TestClient(app, base_url=BASE)
    refused = stranger.get(path)
    assert refused.status_code == 403
    assert "set-cookie" not in refused.headers
    assert stranger.get(path, headers={"cookie": "review_8437=guess"}).status_code == 403
    assert stranger.get("/page/main.js", headers={"x-review-token": "the-token"}).status_code == 200


def test_the_cookie_is_kept_from_scripts_and_other_pages(app: Any) -> None:
    given = testclient.TestClient(app, base_url=BASE).get("/?token=the-token").headers["set-cookie"]
    assert {"HttpOnly", "SameSite=Strict"} <= {part.strip() for part in given.split(";")}


def test_another_host_is_not_answered(app: Any) -> None:
    client = testclient.TestClient(app, base_url="http://rebound.example:8437")
    assert client.get("/?token=the-token").status_code == 421


def test_too_long_an_address(client: Any) -> None:
    assert client.get("/api/levels?station=" + "x" * 9000).status_code == 414


def test_results_are_read_again(client: Any, campaign: Decidable) -> None:
    before = client.get("/api/campaign").json()["opened"]
    assert client.post("/api/reopen", json={}, headers=ORIGIN).json()["opened"] != before
    assert client.get("/api/next", params={"opened": before, "place": -1}).status_code == 410


def test_two_servers_take_two_ports() -> None:
    from reconcile.review.serving import _bound

    with _bound("127.0.0.1", None) as first, _bound("127.0.0.1", None) as second:
        assert first.getsockname()[1] != second.getsockname()[1]
        with pytest.raises(MachineError, match=r"127\.0\.0\.1"):
            _bound("127.0.0.1", first.getsockname()[1])


def test_names_by_which_the_machine_is_asked() -> None:
    own = door_of("127.0.0.1", 8437)
    assert own.knows("localhost:8437")
    assert not own.knows("192.0.2.1:8437")
    everywhere = door_of("0.0.0.0", 8437)
    assert everywhere.knows("192.0.2.1:8437")
    assert everywhere.knows("[2001:db8::1]:8437")
    assert not everywhere.knows("rebound.example:8437")
    assert own.token != everywhere.token


PATHS = st.sampled_from(
    ["/api/campaign", "/api/strikes", "/api/levels", "/api/pressure", "/api/view", "/api/sound", "/api/next",
     "/api/decisions", "/api/decide", "/api/reopen", "/page/main.js", "/"]
)  # fmt: skip
METHODS = st.sampled_from(["GET", "POST", "PUT", "HEAD"])
NAMES = st.sampled_from(
    ["station", "stations", "from", "to", "n", "place", "opened", "speed", "gain", "flags", "piles", "level_from", "x"]
)
VALUES = st.one_of(
    st.text(max_size=30),
    st.integers().map(str),
    st.floats().map(str),
    st.sampled_from(["NEAR", "-1", "0", "1", "²", "../../etc/passwd", "%2e%2e/", "1746086400000000", "\x00", "OPENED"]),
)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
FIELDS = ["seen", "who", "station_id", "time_utc", "action", "reason", "new_time_utc"]
BODIES = st.one_of(
    st.binary(max_size=200),
    JSON.map(lambda content: json.dumps(content).encode()),
    st.fixed_dictionaries({name: JSON | st.sampled_from(["NEAR", "note", "2025-05-01T08:00:00Z"]) for name in FIELDS})
    .map(lambda content: json.dumps(content | {"seen": "never"}).encode()),
)  # fmt: skip


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(path=PATHS, query=st.lists(st.tuples(NAMES, VALUES), max_size=6), method=METHODS, body=BODIES)
def test_whatever_is_asked_it_stands(
    client: Any, campaign: Decidable, path: str, query: list[tuple[str, str]], method: str, body: bytes
) -> None:
    opened = client.get("/api/campaign").json()["opened"]
    asked = [(name, opened if value == "OPENED" or name == "opened" else value) for name, value in query]
    headers = {**ORIGIN, "content-type": "application/json"} if method in ("POST", "PUT") else {}
    found = client.request(method, path, params=asked, content=body, headers=headers)
    assert found.status_code < 500
    assert b"root:" not in found.content
    assert not (campaign.folder / "decisions.csv").exists()


HEADERS = st.dictionaries(
    st.sampled_from(["cookie", "origin", "range", "accept"]),
    st.text(st.characters(codec="latin-1", exclude_categories=["Cc"]), max_size=40),
)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(path=st.text(max_size=60), headers=HEADERS)
def test_whatever_path_is_asked(client: Any, path: str, headers: dict[str, str]) -> None:
    raw = {name: value.encode("latin-1").strip() for name, value in headers.items()}
    found = client.get(f"/page/{quote(path, safe='/.%')}", headers=raw)
    assert 200 <= found.status_code < 500


def test_the_page_lies_in_the_package() -> None:
    """All that the page asks for lies inside the package, which goes into a wheel whole."""
    import reconcile.review

    folder = Path(reconcile.review.__file__).parent / "page"
    page = (folder / "index.html").read_text(encoding="utf-8")
    for name in ("style.css", "main.js", "mark.svg"):
        assert f"/page/{name}" in page
        assert (folder / name).exists()
