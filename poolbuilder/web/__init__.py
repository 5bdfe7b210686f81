"""The local web page: choose a water on a map, see its list build, open and keep the report.

It uses the same build and the same report as the command line, answers only this machine's
own browser, and touches nothing but the store and the folder that it was started with.
"""

from __future__ import annotations

import contextlib
import socket
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

from poolbuilder.errors import MissingExtraError, PoolBuilderError
from poolbuilder.web.workspace import Workspace

HOST = "127.0.0.1"


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
        from starlette.routing import Mount, Route
    except ImportError as error:
        raise _missing() from error
    from poolbuilder.web.builds import Builds
    from poolbuilder.web.fish_form import FishViews
    from poolbuilder.web.guard import Guard
    from poolbuilder.web.views import Views

    builds = Builds()
    views = Views(workspace, builds)
    fish = FishViews(workspace)

    @contextlib.asynccontextmanager
    async def lifespan(_: Any) -> AsyncIterator[None]:
        yield
        builds.stop()

    routes = [
        Route("/", views.ask),
        Route("/pool", views.pool),
        Route("/fetch", views.fetch, methods=["GET"]),
        Route("/fetch", views.start_fetch, methods=["POST"]),
        Route("/list", views.kept),
        Route("/status", views.status),
        Route("/base", views.base),
        Route("/cancel", views.cancel, methods=["POST"]),
        Route("/file/{key}/{name}", views.file),
        Route("/compare", views.compare),
        Route("/waters", views.keep, methods=["POST"]),
        Route("/fish", fish.ask, methods=["GET"]),
        Route("/fish/{key}/{fish}/{name}", fish.file),
        Route("/fish", fish.weigh, methods=["POST"]),
    ]
    app = Starlette(routes=[Mount(f"/{token}", routes=routes)], lifespan=lifespan)
    return Guard(app, token=token, port=port)


def _missing() -> MissingExtraError:
    return MissingExtraError(
        "the page needs Starlette and uvicorn, which are not installed (pip install 'poolbuilder[page]')"
    )


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
    from poolbuilder.web.guard import read_token

    try:
        Path(workspace.folder).mkdir(parents=True, exist_ok=True)
        token = read_token(workspace.folder)
    except OSError as error:
        raise PoolBuilderError(
            f"{workspace.folder}: cannot be written: {error.strerror} (choose another --folder)"
        ) from error
    with contextlib.closing(socket.socket(socket.AF_INET, socket.SOCK_STREAM)) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((HOST, port))
        except OSError as error:
            raise PoolBuilderError(
                f"port {port}: cannot be used: {error.strerror} (choose another --port)"
            ) from error
        port = listener.getsockname()[1]
        app = application(workspace, token=token, port=port)
        server = uvicorn.Server(
            uvicorn.Config(app, log_level="warning", access_log=False, server_header=False, ws="none")
        )
        listener.listen(128)
        if ready is not None:
            ready(f"http://{HOST}:{port}/{token}/")
        server.run(sockets=[listener])
