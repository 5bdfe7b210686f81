"""``poolbuilder add`` and ``restore``: records into the record store, and those of a pool again."""

from __future__ import annotations

import datetime
import sys
from collections.abc import Sequence
from pathlib import Path

import click

from poolbuilder.cli.options import (
    map_options,
    read_settings,
    renames,
    say,
    settings_option,
    store_option,
    store_path,
)
from poolbuilder.records.store import AddResult, Findings, RemoveResult, Store

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


@click.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="FILE...")
@store_option
@map_options
@click.option("--compact", is_flag=True, help="Merge all files of the store and drop replaced versions.")
@click.option("--check", is_flag=True, help="Read every file of the store, and repair what can be repaired.")
@click.option(
    "--remove",
    multiple=True,
    metavar="SOURCE",
    help="Take out what was added from SOURCE, a file as it was named or its SHA-256; repeatable.",
)
@click.option(
    "--share/--no-share",
    default=None,
    help="Let everyone on this computer read the store and its fetches, or, as at first, their owner alone.",
)
@settings_option("TOML file with numbers of the model (maxUnpackedMib).")
def add(
    files: Sequence[Path],
    store: Path | None,
    mapping: tuple[str, ...],
    date_order: str | None,
    compact: bool,
    check: bool,
    remove: tuple[str, ...],
    share: bool | None,
    settings_file: Path | None,
) -> int:
    """Read Darwin Core tables, archives and Parquet files into the record store.

    A file that was added before, by its content, is left out; a newer version of a record
    replaces the older one.  All files are added, or none when one cannot be read.
    """
    if not (files or compact or check or remove) and share is None:
        raise click.UsageError("name a FILE to add, or --compact, --check, --remove or --share")
    settings = read_settings(settings_file)
    renamed = renames(mapping, date_order)
    opened = Store(store_path(store), waiting=say)
    code = _report_check(opened.check(progress=progress_line)) if check else 0
    for source in remove:
        code = max(code, _report_remove(opened.remove(source, progress=progress_line)))
    if files:
        today = datetime.date.today().isoformat()
        result = opened.add(files, rename=renamed, settings=settings, added=today, progress=progress_line)
        _report_add(result, opened)
    if compact:
        index = opened.compact(progress=progress_line)
        click.echo(f"{index.records:,} records in {len(index.files)} files")
    if share is not None:
        opened.share(everyone=share)
        click.echo(f"{opened.path}: read by {'everyone on this computer' if share else 'its owner alone'}")
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


def _report_remove(found: RemoveResult) -> int:
    for source in found.sources:
        click.echo(f"{source['path']}: taken out")
    if found.left:
        click.echo("note: its bytes are still in files that hold others too (--compact deletes them)")
    for source in found.again:
        click.echo(f"add again: {source['path']}")
    click.echo(f"the store holds {found.after:,} records, before {found.before:,}")
    return 3 if found.again else 0


def _report_check(found: Findings) -> int:
    for problem in found.problems:
        click.echo(problem)
    for source in found.again:
        click.echo(f"add again: {source['path']}")
    state = "sound" if not found.problems else "repaired"
    click.echo(f"{state}: {found.files} files, {found.records:,} records")
    return 3 if found.again else 0


@click.command()
@click.argument("pool", type=click.Path(path_type=Path))
@store_option
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Folder of the store to fill; new or empty."
)
def restore(pool: Path, store: Path | None, out: Path) -> None:
    """Restore the records of a pool, as they were, into a store of their own.

    The service is not asked: its answers are kept beside the store, each with its hash. Of a pool
    that refresh made, lists, layers and settings are kept as well: it is built again, and compared.
    """
    from poolbuilder.refresh.runs import restored

    for line in restored(pool, store=store, usual=store_path(None), into=out):
        click.echo(line)
