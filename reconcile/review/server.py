"""The review page's server: answers about opened results, and appends decisions. It is handed what it serves.

No path of a request reaches the file system: the page's files are read once, by name, and all else is asked of the
`Review` by numbers and ids. What is wrong with a request is said with a status of 4xx.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from importlib.resources import files
from typing import Any, cast

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from reconcile.review import asked
from reconcile.review.asked import AskedWrongError
from reconcile.review.decision_file import ConflictError
from reconcile.review.desk import Desk, ReadAgainError
from reconcile.review.guard import Door, Guard
from reconcile.review.session import NoSoundError, Review
from reconcile.vocabulary.errors import InputError, MachineError

_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
BINARY = "application/octet-stream"


def review_app(review: Review, door: Door, reopen: Callable[[], Review] | None = None) -> ASGIApp:
    """The page and its server. `reopen` opens the results again, after a run (None: it cannot be asked for)."""
    desk = Desk(review, reopen)
    routes = [Route(f"/page/{name}", _file(content, kind)) for name, content, kind in page_files()]
    routes += [
        Route("/", _file(*_start_page())),
        _route("/api/campaign", lambda query: _json(desk.campaign())),
        _route("/api/strikes", lambda query: _binary(desk.strikes(_station(desk, query)))),
        _route("/api/levels", lambda query: _binary(_levels(desk, query))),
        _route("/api/pressure", lambda query: _binary(_pressure(desk, query))),
        _route("/api/view", lambda query: _binary(desk.view(_place(desk, query)))),
        _route("/api/sound", lambda query: _sound(desk, query)),
        _route("/api/next", lambda query: _json(desk.next(_place(desk, query, -1), asked.filters(query)))),
        _route("/api/decisions", lambda query: _json(desk.decisions())),
        Route("/api/decide", _posted(lambda body: _json(desk.decide(*asked.decision(body)))), methods=["POST"]),
        Route("/api/reopen", _posted(lambda body: _json(desk.read_again())), methods=["POST"]),
    ]
    app = Starlette(routes=routes, exception_handlers=_handlers())
    return Guard(app, door)


def page_files() -> list[tuple[str, bytes, str]]:
    """Name, content and type of each file of the page."""
    found = []
    for entry in sorted(files("reconcile.review").joinpath("page").iterdir(), key=lambda entry: entry.name):
        kind = _TYPES.get("." + entry.name.rpartition(".")[2])
        if kind is not None:
            found.append((entry.name, entry.read_bytes(), kind))
    return found


def _start_page() -> tuple[bytes, str]:
    return next((content, kind) for name, content, kind in page_files() if name == "index.html")


def _file(content: bytes, kind: str) -> Callable[[Request], Awaitable[Response]]:
    async def answer(_: Request) -> Response:
        return Response(content, media_type=kind)

    return answer


def _route(path: str, ask: Callable[[asked.Query], Response]) -> Route:
    """A question: answered in a thread, from the query alone."""

    async def answer(request: Request) -> Response:
        return await run_in_threadpool(ask, request.query_params)

    return Route(path, answer, methods=["GET"])


def _posted(ask: Callable[[bytes], Response]) -> Callable[[Request], Awaitable[Response]]:
    async def answer(request: Request) -> Response:
        return await run_in_threadpool(ask, await request.body())

    return answer


def _station(desk: Desk, query: asked.Query) -> str:
    given = query.get("station", "")
    if given not in desk.station_ids:
        raise AskedWrongError("station: there is none of that id")
    return given


def _place(desk: Desk, query: asked.Query, least: int = 0) -> int:
    """A strike; its place holds for one opening of the results alone."""
    if query.get("opened", "") != desk.opened:
        raise ReadAgainError
    return asked.whole(query, "place", least, max(desk.n - 1, least))


def _levels(desk: Desk, query: asked.Query) -> bytes:
    return desk.levels(_station(desk, query), *asked.times_us(query), asked.whole(query, "n", 1, 4000))


def _pressure(desk: Desk, query: asked.Query) -> bytes:
    return desk.pressure(_station(desk, query), *asked.times_us(query), asked.whole(query, "n", 1, 4000))


def _sound(desk: Desk, query: asked.Query) -> Response:
    speed = cast(float, asked.number(query, "speed", 0.05, 1.0, 0.25))
    gain_db = cast(float, asked.number(query, "gain", -60.0, 60.0, 0.0))
    return Response(desk.listen(_place(desk, query), speed, gain_db), media_type="audio/wav")


def _json(content: dict[str, Any]) -> Response:
    return JSONResponse(content)


def _binary(content: bytes) -> Response:
    return Response(content, media_type=BINARY)


def _handlers() -> dict[Any, Callable[[Request, Exception], Response]]:
    """What is said where a request cannot be answered."""

    def with_status(status: int, **more: Any) -> Callable[[Request, Exception], Response]:
        return lambda _, error: JSONResponse({"error": str(error), **more}, status)

    def of_http(_: Request, error: Exception) -> Response:
        found = cast(HTTPException, error)
        return JSONResponse({"error": found.detail}, found.status_code, headers=found.headers)

    return {
        AskedWrongError: with_status(400),
        ValueError: with_status(400),
        IndexError: with_status(404),
        NoSoundError: with_status(404, no_sound=True),
        InputError: with_status(422),
        ReadAgainError: with_status(410, read_again=True),
        ConflictError: with_status(409, conflict=True),
        MachineError: with_status(500),
        HTTPException: of_http,
    }
