"""What commands print: tables that fit the terminal, csv and json, a pool in short, news, progress."""

from __future__ import annotations

import json
import shutil
import sys
import textwrap
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from poolbuilder import words
from poolbuilder.words import pool_words

if TYPE_CHECKING:
    import pyarrow as pa

    from poolbuilder.places.sites import Site
    from poolbuilder.pool import Pool

MOST_NOTES = 6
NARROW, WIDE = 80, 100
BAR = 24
SOON_S = 2.0
"""What takes less needs no estimate."""


def tell(text: str) -> None:
    """Tell the reader something on stderr; what was told there is not printed with the answer again."""
    told().add(text)
    click.echo(text, err=True)


def told() -> set[str]:
    """What this command has told."""
    context = click.get_current_context(silent=True)
    found: set[str] = set() if context is None else context.meta.setdefault("told", set())
    return found


def tell_of(what: str, *facts: object) -> None:
    """Print what ``words/commands.txt`` says of something, on stdout."""
    click.echo("\n".join(words.lines("commands.txt", what, *facts)))


_begun: dict[str, tuple[float, int]] = {}
"""When something was first told of, and how much of it was done then."""


def progress_line(doing: str, done: int, total: int | None) -> None:
    """Draw a progress bar on stderr, over itself, with the time left; nothing when stderr is no terminal."""
    if not sys.stderr.isatty():
        return
    now = time.monotonic()
    began, before = _begun.setdefault(doing, (now, done))
    if total is not None and done >= total:
        del _begun[doing]
    if total is None:
        text = f"{doing} {done:,} records"
    else:
        filled = BAR if total == 0 else BAR * done // total
        text = f"{doing} [{'#' * filled}{' ' * (BAR - filled)}] {done:,} of {total:,}"
        if before < done < total and now - began >= SOON_S:
            text += words.time_left((now - began) * (total - done) / (done - before))
    click.echo(f"\r{text:<{NARROW - 1}}", nl=total is not None and done >= total, err=True)


def no_progress(_doing: str, _done: int, _total: int | None) -> None:
    """Say nothing of what is being done."""


def leave(found: Sequence[str], *, missing: Sequence[str] = (), quiet: bool = False) -> None:
    """Say what was asked about and what is missing, and leave with their exit code."""
    if not quiet:
        for line in found:
            tell(f"found: {line}")
        if missing:
            tell(f"not refreshed: {', '.join(missing)}")
    if found or missing:
        click.get_current_context().exit(4 if found else 3)


def width() -> int:
    """Columns to fill: those of the terminal up to 100, and 80 where the output goes elsewhere."""
    if not sys.stdout.isatty():
        return NARROW
    return max(40, min(WIDE, shutil.get_terminal_size((NARROW, 24)).columns))


def say(lines: Iterable[str]) -> None:
    """Print lines, the long ones wrapped under themselves."""
    wide = width()
    for line in lines:
        if len(line) <= wide:
            click.echo(line)
            continue
        indent = " " * (len(line) - len(line.lstrip()) + 4)
        click.echo("\n".join(textwrap.wrap(line, wide, subsequent_indent=indent, break_on_hyphens=False)))


def fitted(heads: Sequence[str], rows: Sequence[Sequence[str]], *, right: Sequence[int] = ()) -> list[str]:
    """A table in lines that fit the terminal; a cell that is too long goes on below, none is cut.

    Parameters
    ----------
    heads : sequence of str
    rows : sequence of sequence of str
        As many cells a row as heads.
    right : sequence of int
        Columns of numbers, set to the right.
    """
    columns = list(zip(heads, *rows, strict=True))
    sizes = [max(map(len, column)) for column in columns]
    least = [max(len(word) for cell in column for word in (cell.split(" ") or [""])) for column in columns]
    while sum(sizes) + 2 * (len(sizes) - 1) > width():
        room = [size - low for size, low in zip(sizes, least, strict=True)]
        if not any(room):
            break
        sizes[room.index(max(room))] -= 1
    lines = []
    for row in (heads, *rows):
        cells = [
            textwrap.wrap(cell, size, break_on_hyphens=False) or [""]
            for cell, size in zip(row, sizes, strict=True)
        ]
        for depth in range(max(map(len, cells))):
            parts = [cell[depth] if depth < len(cell) else "" for cell in cells]
            shown = [
                part.rjust(size) if number in right else part.ljust(size)
                for number, (part, size) in enumerate(zip(parts, sizes, strict=True))
            ]
            lines.append("  ".join(shown).rstrip())
    return [lines[0], "-" * max(map(len, lines)), *lines[1:]] if rows else lines[:1]


def emit(
    shape: str,
    *,
    lines: Callable[[], Iterable[str]],
    table: Callable[[], pa.Table] | None = None,
    document: Callable[[], Any] | None = None,
) -> None:
    """Print a result as ``--format`` asks: lines for a reader, a table as csv, or a document as json."""
    if shape == "csv" and table is not None:
        from poolbuilder.files import csv_text

        click.echo(csv_text(table()).replace("\r\n", "\n"), nl=False)
    elif shape == "json":
        found = document() if document is not None else table().to_pylist() if table is not None else None
        click.echo(json.dumps(found, ensure_ascii=False, indent=1))
    else:
        say(lines())


def show(pool: Pool, shape: str, *, verbose: bool = False) -> None:
    """Print a pool as table, csv or json on stdout."""
    from poolbuilder.folder import pool_document

    emit(
        shape,
        lines=lambda: pool_lines(pool, verbose=verbose),
        table=lambda: pool.candidates,
        document=lambda: pool_document(pool),
    )


def pool_lines(pool: Pool, *, verbose: bool = False) -> list[str]:
    """A pool for the terminal: notes first, the answer last, so that it stands above the prompt."""
    every = dict.fromkeys([*pool_words.doubts(pool), *map(str, pool.notes)])
    notes = [note for note in every if f"note: {note}" not in told()]
    shown = notes if verbose else notes[:MOST_NOTES]
    lines = [f"note: {note}" for note in shown]
    if len(notes) > len(shown):
        lines[-1] = f"note: {len(notes) - len(shown) + 1} more notes (poolbuilder -v, or the report)"
    lines += [
        "",
        pool_words.record_counts(pool),
        pool_words.rejected_counts(pool),
        *pool_words.unknown_names(pool),
        *pool_words.mended_names(pool),
        "",
    ]
    if pool_words.has_data(pool):
        lines += [*candidate_lines(pool), ""]
    return [*lines, words.CAUTION, "", pool_words.heading(pool), pool_words.findings(pool)]


def candidate_lines(pool: Pool) -> list[str]:
    """The candidates as a table; the unlikely ones in one line."""
    rows = pool.candidates.to_pylist()
    likely = [row for row in rows if row["presence"] >= words.LIKELY] or rows
    cells = [
        (
            words.called_shortly(row),
            words.percent(row["presence"]),
            words.interval(row["presenceLow"], row["presenceHigh"]) or words.DASH,
            words.tier_short(row["tier"], pool.site.radius_km),
            words.status(row, sourced=False),
        )
        for row in likely
    ]
    lines = fitted(("species", "presence", "90 %", "recorded", "status"), cells, right=(1, 2))
    rest = rows[len(likely) :]
    return [*lines, pool_words.unlikely(rest)] if rest else lines


def publish(pool: Pool, out: Path, *, replaced: str = "") -> None:
    """Write the pool folder with its report, and say where, and what stood there."""
    from poolbuilder.folder import write_pool
    from poolbuilder.job import stage
    from poolbuilder.pages.pool_page import render

    with stage("folder"):
        folder = write_pool(pool, out, pages={"report.html": render(pool)})
    if replaced:
        tell(f"replaced {replaced}")
    tell(f"wrote {folder} (open report.html in a browser)")


def is_verbose() -> bool:
    """Whether ``-v`` was given before the command."""
    return bool(click.get_current_context().find_root().params.get("verbose"))


def refuse_other_place(site: Site, out: Path, *, replace: bool) -> str:
    """What stands in *out* now, in words; an error where it is the pool of another place.

    Raises
    ------
    PoolFileError
        When the folder holds the pool of another place and *replace* is not set.
    """
    from poolbuilder.errors import PoolFileError

    try:
        earlier = json.loads((out / "pool.json").read_text(encoding="utf-8"))
        there = earlier["site"]
        here = (float(there["longitude"]), float(there["latitude"]))
        what = f"the pool of {there['name'] or 'this place'} of {earlier['asOf']}, {there['radiusKm']:g} km"
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return ""
    if here != (site.longitude, site.latitude) and not replace:
        raise PoolFileError(
            f"holds the pool of another place: {there['name'] or 'unnamed'}, {here[1]:.4f}, {here[0]:.4f}",
            file=out,
            remedy="name another folder, or add --replace",
        )
    return what
