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
import socket
from collections.abc import AsyncIterator, Awaitable, Callable, MutableMapping
from pathlib import Path
from typing import Any

from poolbuilder.errors import MissingExtraError, PoolBuilderError, said
from poolbuilder.web.workspace import Workspace

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


def application(workspace: Workspace, *, token: str, port: int) -> Any:
    """The page as an ASGI application.

    Parameters
    ----------
    token : str
        First part of every address; requests without it get nothing.
    port : int
        The port that it is served on: requests to another Host are refused.

    Raises
    ------
    MissingExtraError
        When Starlette is not installed.
    """
    try:
        from starlette.applications import Starlette
        from starlette.routing import Mount
    except ImportError as error:
        raise _missing() from error
    from poolbuilder.web.forms import Forms
    from poolbuilder.web.views import Views

    views = Views(workspace)

    @contextlib.asynccontextmanager
    async def lifespan(_: Any) -> AsyncIterator[None]:
        yield
        views.builds.stop()

    app = Starlette(
        routes=[Mount(f"/{token}", routes=[*views.routes(), *Forms(workspace).routes()])],
        lifespan=lifespan,
        exception_handlers={PoolBuilderError: views.trouble},
    )
    return Guard(app, token=token, port=port)


def _missing() -> MissingExtraError:
    return MissingExtraError.of("page_needs_starlette")


def serve(workspace: Workspace, *, port: int = 0, ready: Callable[[str], None] | None = None) -> None:
    """Serve the page on 127.0.0.1 until it is interrupted.

    Parameters
    ----------
    port : int
        0 takes any free port.
    ready : callable, optional
        Told the whole address, token included, once the page can be opened.

    Raises
    ------
    MissingExtraError
        When Starlette or uvicorn is not installed.
    PoolBuilderError
        When the port is taken or the folder cannot be written.
    """
    try:
        import uvicorn
    except ImportError as error:
        raise _missing() from error
    try:
        Path(workspace.folder).mkdir(parents=True, exist_ok=True)
        token = read_token(workspace.folder)
    except OSError as error:
        raise PoolBuilderError.of(
            "cannot_written_choose", folder=workspace.folder, why=error.strerror
        ) from error
    with contextlib.closing(socket.socket(socket.AF_INET, socket.SOCK_STREAM)) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((HOST, port))
        except OSError as error:
            raise PoolBuilderError.of("port_cannot_used", port=port, why=error.strerror) from error
        port = listener.getsockname()[1]
        app = application(workspace, token=token, port=port)
        server = uvicorn.Server(
            uvicorn.Config(app, log_level="warning", access_log=False, server_header=False, ws="none")
        )
        listener.listen(128)
        if ready is not None:
            ready(f"http://{HOST}:{port}/{token}/")
        server.run(sockets=[listener])


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
