"""Keeps strangers out: only this machine's browser, only with the address that was printed."""

from __future__ import annotations

import hmac
import os
import re
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from pathlib import Path
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

TOKEN_NAME = ".page-token"
_TOKEN = re.compile(r"[A-Za-z0-9_-]{20,80}")

HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)


def new_token() -> str:
    """A token that cannot be guessed."""
    return secrets.token_urlsafe(24)


def read_token(folder: Path) -> str:
    """The folder's token, made once and readable by its owner alone, so that bookmarks keep working."""
    file = folder / TOKEN_NAME
    try:
        known = file.read_text(encoding="ascii").strip()
        if _TOKEN.fullmatch(known):
            return known
    except (OSError, UnicodeDecodeError):
        pass  # none yet, or not ours: make one
    token = new_token()
    file.unlink(missing_ok=True)
    handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="ascii") as stream:
        stream.write(token + "\n")
    return token


class Guard:
    """Middleware that checks Host, Origin and token before anything else is run.

    A foreign page can make a browser ask this server, and a foreign name can be pointed at
    127.0.0.1; the Host and Origin of such a request are not ours.
    """

    def __init__(self, app: App, *, token: str, port: int) -> None:
        self.app = app
        self.token = token
        self.hosts = {f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]")}
        self.origins = {f"http://{host}" for host in self.hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        refusal = self._refusal(scope)
        if refusal is not None:
            await _refuse(send, *refusal)
            return

        async def sealed(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *HEADERS]
            await send(message)

        await self.app(scope, receive, sealed)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
        host = headers.get("host", [])
        if len(host) != 1 or host[0].lower() not in self.hosts:
            return 421, "This page answers only to the address that `poolbuilder page` printed."
        origin = headers.get("origin", [])
        if any(value.lower() not in self.origins for value in origin):
            return 403, "This request comes from another site."
        if scope["method"] not in {"GET", "HEAD"} and headers.get("sec-fetch-site", ["same-origin"]) != [
            "same-origin"
        ]:
            return 403, "This request comes from another site."
        token = scope["path"].split("/")[1] if scope["path"].startswith("/") else ""
        if not hmac.compare_digest(token.encode("utf-8", "surrogatepass"), self.token.encode()):
            return 404, "Nothing here. Open the whole address that `poolbuilder page` printed."
        return None


async def _refuse(send: Send, status: int, words: str) -> None:
    body = (words + "\n").encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        *HEADERS,
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
