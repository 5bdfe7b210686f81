"""``poolbuilder add``: occurrence tables and archives into the record store."""

from __future__ import annotations

import datetime
import sys
from collections.abc import Sequence
from pathlib import Path

import click

from poolbuilder.cli.options import map_options, read_settings, renames, store_option, store_path
from poolbuilder.records.store import AddResult, Findings, Store

__all__ = ["add", "progress_line"]

BAR = 24
WIDEST = 79
"""Characters that a line of progress fills, so that it covers the one before."""


def progress_line(doing: str, done: int, total: int | None) -> None:
    """Draw a progress bar on stderr, over itself; nothing when stderr is no terminal."""
    if not sys.stderr.isatty():
        return
    if total is None:
        text = f"{doing} {done:,} records"
    else:
        filled = BAR if total == 0 else BAR * done // total
        text = f"{doing} [{'#' * filled}{' ' * (BAR - filled)}] {done:,} of {total:,}"
    click.echo(f"\r{text:<{WIDEST}}", nl=total is not None and done >= total, err=True)


def _say(text: str) -> None:
    click.echo(text, err=True)


@click.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="FILE...")
@store_option
@map_options
@click.option("--compact", is_flag=True, help="Merge all files of the store and drop replaced versions.")
@click.option("--check", is_flag=True, help="Look at every file, and repair what can be repaired.")
@click.option(
    "--settings",
    "settings_file",
    type=click.Path(path_type=Path),
    help="TOML file with numbers of the model (maxUnpackedMib).",
)
def add(
    files: Sequence[Path],
    store: Path | None,
    mapping: tuple[str, ...],
    date_order: str | None,
    compact: bool,
    check: bool,
    settings_file: Path | None,
) -> int:
    """Read Darwin Core tables, archives and Parquet files into the record store.

    A file that was added before, by its content, is left out; a newer version of a record
    replaces the older one.  All files are added, or none when one cannot be read.
    """
    if not (files or compact or check):
        raise click.UsageError("name a FILE to add, or --compact or --check")
    settings = read_settings(settings_file)
    renamed = renames(mapping, date_order)
    opened = Store(store_path(store), waiting=_say)
    code = _report_check(opened.check(progress=progress_line)) if check else 0
    if files:
        today = datetime.date.today().isoformat()
        result = opened.add(files, rename=renamed, settings=settings, added=today, progress=progress_line)
        _report_add(result, opened)
    if compact:
        index = opened.compact(progress=progress_line)
        click.echo(f"{index.records:,} records in {len(index.files)} files")
    return code


def _report_add(result: AddResult, store: Store) -> None:
    for source in result.skipped:
        click.echo(f"{source['path']}: was added before; left out")
    for source in result.sources:
        click.echo(f"{source['path']}: {source['rows']:,} records")
    if result.sources:
        parts = [f"{result.placed:,} with coordinates", f"{result.unplaced:,} without"]
        if result.replaced:
            parts.append(f"{result.replaced:,} older versions replaced")
        if result.outdated:
            parts.append(f"{result.outdated:,} repeated or older than what is known")
        click.echo(f"read {result.read:,} records: {', '.join(parts)}")
    for note in result.notes:
        click.echo(f"note: {note}")
    click.echo(f"the store holds {store.records:,} records")


def _report_check(found: Findings) -> int:
    for problem in found.problems:
        click.echo(problem)
    for source in found.again:
        click.echo(f"add again: {source['path']}")
    state = "sound" if not found.problems else "repaired"
    click.echo(f"{state}: {found.files} files, {found.records:,} records")
    return 3 if found.again else 0
