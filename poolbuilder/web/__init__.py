"""The local web page: choose a water on a map, see its list build, open and keep the report.

It uses the same build and the same report as the command line, answers only this machine's
own browser, and touches nothing but the store and the folder that it was started with.
"""

from __future__ import annotations

import contextlib
import hmac
import os
import re
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from pathlib import Path
from typing import Any

from poolbuilder.errors import said

HOST = "127.0.0.1"
TOKEN_NAME = ".page-token"
_TOKEN = re.compile(r"[A-Za-z0-9_-]{20,80}")
HEADERS = (
    (b"content-security-policy", b"frame-ancestors 'none'"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"private, no-cache"),  # Back shows what was typed
)
"""Of every answer; a page's own policy comes in a header beside these, and both hold."""

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]


# ------------------------------------------------------------------ who may ask


def read_token(folder: Path) -> str:
    """The folder's token, made once and readable by its owner alone, so that bookmarks keep working."""
    file = folder / TOKEN_NAME
    with contextlib.suppress(OSError, UnicodeDecodeError):  # none yet, or not ours: make one
        known = file.read_text(encoding="ascii").strip()
        if _TOKEN.fullmatch(known):
            return known
    token = secrets.token_urlsafe(24)
    file.unlink(missing_ok=True)
    with os.fdopen(
        os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii"
    ) as stream:
        stream.write(token + "\n")
    return token


class Guard:
    """Middleware that checks Host, Origin and token before anything else is run.

    A foreign page can make a browser ask this server, and a foreign name can be pointed at
    127.0.0.1; the Host and Origin of such a request are not ours.
    """

    def __init__(self, app: Any, *, token: str, port: int) -> None:
        self.app = app
        self.token = token
        self.hosts = {f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]")}
        self.origins = {f"http://{host}" for host in self.hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        from starlette.responses import PlainTextResponse

        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
        if scope["type"] != "http":
            return
        refusal = self._refusal(scope)
        app = self.app if refusal is None else PlainTextResponse(f"{refusal[1]}\n", status_code=refusal[0])

        async def sealed(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *HEADERS]
            await send(message)

        await app(scope, receive, sealed)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1").lower())
        host = headers.get("host", [])
        if len(host) != 1 or host[0] not in self.hosts:
            return 421, said("page_answers_only")
        reads = scope["method"] in {"GET", "HEAD"}
        foreign = any(value not in self.origins for value in headers.get("origin", []))
        if foreign or not (reads or headers.get("sec-fetch-site", ["same-origin"]) == ["same-origin"]):
            return 403, said("request_comes_another")
        token = scope["path"].split("/")[1] if scope["path"].startswith("/") else ""
        if not hmac.compare_digest(token.encode("utf-8", "surrogatepass"), self.token.encode()):
            return 404, said("nothing_here_open")
        return None
