"""An S3 server on loopback for tests, which counts what is fetched and can be told to fail."""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import boto3
import pytest
from moto.server import DomainDispatcherApplication, create_backend_app
from werkzeug.serving import WSGIRequestHandler, make_server

BUCKET = "recordings-of-a-season"
SECRET = "not-to-be-shown-anywhere"
_REFUSAL = b"<?xml version='1.0'?><Error><Code>AccessDenied</Code><Message>Access Denied</Message></Error>"
_TROUBLE = b"<?xml version='1.0'?><Error><Code>InternalError</Code><Message>Sorry</Message></Error>"
Application = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]


class Storage:
    """The server as tests see it. Keys are paths in the bucket; `before_get` is called with the key and its range."""

    def __init__(self, url: str) -> None:
        self.client = boto3.client(
            "s3", endpoint_url=url, region_name="us-east-1", aws_access_key_id="x", aws_secret_access_key="y"
        )
        self.fetched: dict[str, int] = defaultdict(int)
        self.requests: list[tuple[str, str]] = []
        self.forbidden: set[str] = set()
        self.broken: set[str] = set()
        self.before_get: Callable[[str, int], None] | None = None

    def upload(self, folder: Path, prefix: str) -> list[str]:
        """Put all recordings below a folder into the bucket; their keys."""
        paths = [path for path in sorted((folder / "recordings").rglob("*")) if path.is_file()]
        for path in paths:
            self.put(f"{prefix}/{path.relative_to(folder).as_posix()}", path.read_bytes())
        return [f"{prefix}/{path.relative_to(folder).as_posix()}" for path in paths]

    def put(self, key: str, content: bytes) -> None:
        """Put or replace one object; no request of it is counted."""
        self.client.put_object(Bucket=BUCKET, Key=key, Body=content)
        self.forget()

    def forget(self) -> None:
        """Count from zero."""
        self.fetched.clear()
        self.requests.clear()


class _Counting:
    """Between the network and the S3 application."""

    def __init__(self, inner: Application) -> None:
        self.inner = inner
        self.storage: Storage | None = None

    def __call__(self, environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        method, path, storage = environ["REQUEST_METHOD"], environ["PATH_INFO"], self.storage
        key = path.removeprefix(f"/{BUCKET}").lstrip("/")
        if storage is None:
            return self.inner(environ, start_response)
        storage.requests.append((method, key))
        if method == "GET" and key and storage.before_get is not None:
            storage.before_get(key, int(environ.get("HTTP_RANGE", "bytes=0-").removeprefix("bytes=").split("-")[0]))
        for failing, status, body in (
            (storage.forbidden, "403 Forbidden", _REFUSAL),
            (storage.broken, "500 Internal Server Error", _TROUBLE),
        ):
            if method == "GET" and key in failing:
                start_response(status, [("Content-Type", "text/xml"), ("Content-Length", str(len(body)))])
                return [body]
        body = b"".join(self.inner(environ, start_response))
        if method == "GET" and key:
            storage.fetched[key] += len(body)
        return [body]


class _Silent(WSGIRequestHandler):
    def log(self, *_: object) -> None:
        pass


@contextmanager
def object_storage() -> Iterator[Storage]:
    """A server with one bucket, and an environment by which it is reached; both end with the block."""
    application = _Counting(DomainDispatcherApplication(create_backend_app))
    server = make_server("127.0.0.1", 0, application, threaded=True, request_handler=_Silent)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    url = f"http://127.0.0.1:{server.server_port}"
    with pytest.MonkeyPatch.context() as environment:
        for name, value in _environment(url).items():
            environment.setenv(name, value)
        _forget_file_systems()
        storage = Storage(url)
        storage.client.create_bucket(Bucket=BUCKET)
        application.storage = storage
        try:
            yield storage
        finally:
            _forget_file_systems()
            server.shutdown()
            server.server_close()
            thread.join()


def _environment(url: str) -> dict[str, str]:
    return {
        "AWS_ENDPOINT_URL": url,
        "AWS_ACCESS_KEY_ID": "somebody",
        "AWS_SECRET_ACCESS_KEY": SECRET,
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_EC2_METADATA_DISABLED": "true",
        "AWS_MAX_ATTEMPTS": "1",  # a failing server is asked often enough by the layer above
        "AWS_CONFIG_FILE": "/dev/null",
        "AWS_SHARED_CREDENTIALS_FILE": "/dev/null",
        "NO_PROXY": "127.0.0.1",
        "no_proxy": "127.0.0.1",
    }


def _forget_file_systems() -> None:
    """The library keeps one file system for each set of options, and the environment is not among them."""
    import s3fs

    s3fs.S3FileSystem.clear_instance_cache()
