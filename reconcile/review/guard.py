"""The door of the review page: who may ask, from where, and how much. Everything else is refused before it is read.

- the token, made anew at each start: in the URL that opens the page, from then on in a cookie (or a header);
- the Host named must be one that the server was told to be, so that no foreign name can be pointed at it;
- an Origin, where a browser names one, must be the page's own, and whatever writes must name it;
- a body no longer than `asked.LONGEST_BODY`, a path and query no longer than LONGEST_URL.
"""

from __future__ import annotations

import ipaddress
import secrets
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from reconcile.review.asked import LONGEST_BODY

LONGEST_URL = 8_192
TOKEN_HEADER = "x-review-token"
_READS = ("GET", "HEAD")
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; media-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


@dataclass(frozen=True, slots=True)
class Door:
    """What is let in: the token, the port, and host names (`any_address`: every IP address as well)."""

    token: str
    port: int
    names: frozenset[str]
    any_address: bool = False

    @property
    def cookie(self) -> str:
        """Cookies do not know ports: two pages on one machine need two names."""
        return f"review_{self.port}"

    def knows(self, host: str) -> bool:
        """Whether a Host header names this server."""
        name, _, port = host.rpartition(":")
        if not name or port != str(self.port):
            return False
        name = name.strip("[]").lower()
        return name in self.names or (self.any_address and _is_address(name))


class Guard:
    """Lets through what `Door` allows, and gives every answer the headers that hold the page to itself."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self.app = app
        self.door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or refuse it."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        with_headers = _sender(send, self._cookie(scope))
        refused = self._refused(scope)
        if refused:
            await _refusal(*refused)(scope, receive, with_headers)
            return
        body = b""
        if scope["method"] not in _READS:
            while True:
                message = await receive()
                body += message.get("body", b"")
                if len(body) > LONGEST_BODY:
                    await _refusal(413, f"at most {LONGEST_BODY} bytes")(scope, receive, with_headers)
                    return
                if message["type"] != "http.request" or not message.get("more_body"):
                    break
        await self.app(scope, _read_already(body, receive), with_headers)

    def _refused(self, scope: Scope) -> tuple[int, str] | None:
        headers = Headers(scope=scope)
        if len(scope.get("raw_path") or b"") + len(scope["query_string"]) > LONGEST_URL:
            return 414, "too long"
        if not self.door.knows(headers.get("host", "")) or len(headers.getlist("host")) != 1:
            return 421, "another host is meant"
        origin = headers.get("origin")
        if origin is not None and origin != f"http://{headers['host']}":
            return 403, "another page asks"
        if headers.get("sec-fetch-site") == "cross-site" and scope["path"] != "/":
            return 403, "another page asks"
        if not self._has_token(scope, headers):
            return 403, "the token is missing: open the page by the address that `reconcile review` printed"
        if scope["method"] not in _READS:
            if origin is None:
                return 403, "whatever writes has to name its origin"
            if headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
                return 415, "application/json is needed"
        return None

    def _has_token(self, scope: Scope, headers: Headers) -> bool:
        given = [headers.get(TOKEN_HEADER, ""), _cookie_value(headers.get("cookie", ""), self.door.cookie)]
        given += [_url_token(scope)]
        return any(secrets.compare_digest(one.encode(), self.door.token.encode()) for one in given)

    def _cookie(self, scope: Scope) -> str:
        """The cookie for a page that was opened by the token in its address; empty for all else."""
        if not secrets.compare_digest(_url_token(scope).encode(), self.door.token.encode()):
            return ""
        return f"{self.door.cookie}={self.door.token}; HttpOnly; SameSite=Strict; Path=/"


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _url_token(scope: Scope) -> str:
    """The token of the address that opens the page; other paths take none, so that it stays in no log."""
    if scope["path"] != "/":
        return ""
    query: bytes = scope["query_string"]
    return parse_qs(query.decode("ascii", "replace"), max_num_fields=None).get("token", [""])[0]


def _cookie_value(text: str, name: str) -> str:
    try:
        held = SimpleCookie(text).get(name)
    except CookieError:
        return ""
    return held.value if held is not None else ""


def _refusal(status: int, why: str) -> JSONResponse:
    return JSONResponse({"error": why}, status)


def _sender(send: Send, cookie: str) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            headers.update(_HEADERS)
            if cookie and message["status"] == 200:
                headers.append("set-cookie", cookie)
        await send(message)

    return sent


def _read_already(body: bytes, receive: Receive) -> Receive:
    given = False

    async def again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again
