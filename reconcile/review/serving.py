"""The review page on a port of this machine: address, token, browser, until it is interrupted."""

from __future__ import annotations

import contextlib
import ipaddress
import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable, Iterator

import uvicorn

from reconcile.review.guard import Door
from reconcile.review.server import review_app
from reconcile.review.session import Review
from reconcile.vocabulary.errors import MachineError

LOOPBACK, PORT = "127.0.0.1", 8437


def serve(
    review: Review,
    reopen: Callable[[], Review],
    *,
    host: str = LOOPBACK,
    port: int | None = None,
    browser: bool = True,
) -> Iterator[str]:
    """Serve until interrupted. Yields the lines to say first; going on starts the server.

    `port` None: PORT, or any other free one where that is taken. Raises MachineError where the port cannot be had.
    """
    bound = _bound(host, port)
    at = int(bound.getsockname()[1])
    door = door_of(host, at)
    shown = f"[{host}]" if ":" in host else LOOPBACK if host == "0.0.0.0" else host
    address = f"http://{shown}:{at}/?token={door.token}"
    yield f"Review page: {address}"
    if not _is_loopback(host):
        yield (
            "Note: others on the network can reach this page; nothing on the way is encrypted, and whoever has the "
            "address can decide."
        )
    yield "It is there until you end it here with Ctrl-C."
    if browser:
        threading.Timer(0.5, webbrowser.open, [address]).start()
    config = uvicorn.Config(
        review_app(review, door, reopen),
        log_level="warning",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=2,
    )
    with contextlib.suppress(KeyboardInterrupt), bound:
        uvicorn.Server(config).run(sockets=[bound])


def door_of(host: str, port: int) -> Door:
    """Who is let in: a new token, and the names under which this machine is asked."""
    everywhere = host in ("0.0.0.0", "::")
    names = {"127.0.0.1", "localhost", "::1"} if everywhere or _is_loopback(host) else {host.lower()}
    if not _is_loopback(host):
        names |= {socket.gethostname().lower(), socket.getfqdn().lower()}
    return Door(secrets.token_urlsafe(24), port, frozenset(names), any_address=everywhere)


def _bound(host: str, port: int | None) -> socket.socket:
    for wanted in (PORT, 0) if port is None else (port,):
        try:
            family = socket.getaddrinfo(host, wanted, type=socket.SOCK_STREAM)[0][0]
            bound = socket.socket(family)
            try:
                bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                bound.bind((host, wanted))
                bound.listen(64)  # taken for good: until then another could bind it as well
            except OSError:
                bound.close()
                raise
            return bound
        except OSError as error:
            if wanted != PORT or port is not None:
                raise MachineError(f"{host}:{wanted}", error.strerror or str(error)) from error
    raise AssertionError("port 0 is bound or refused")


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"
