"""Pages made from a pool: the report, what a notebook shows, and the map alone."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from poolbuilder.errors import PoolFileError
from poolbuilder.pool import Pool
from poolbuilder.report.document import page as _page
from poolbuilder.report.notebook import Frame, explore, notebook_html
from poolbuilder.report.picture import plot

__all__ = ["Frame", "explore", "notebook_html", "render", "write_page"]

# How a pool shows itself: `Pool` stands above this package and finds its views here.
Pool.views.update(html=notebook_html, plot=plot, explore=explore)


def render(pool: Pool) -> str:
    """The report of a pool: one HTML text that needs no other file and no network.

    The same pool gives the same text.
    """
    return _page(pool)


def write_page(text: str, path: str | Path) -> Path:
    """Write a page whole or not at all; an older one stays until the new one is complete.

    Raises
    ------
    PoolFileError
        When the folder is missing or cannot be written.
    """
    path = Path(path)
    try:
        handle, beside = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
        try:
            with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
                stream.write(text)
            Path(beside).chmod(0o644)
            Path(beside).replace(path)
        except BaseException:
            Path(beside).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise PoolFileError(
            f"cannot be written: {error.strerror}", file=path, remedy="check the folder and its free space"
        ) from error
    return path
