"""``add``, ``restore`` and ``rules``: records into the store, those of a pool again, what rejects them."""

from __future__ import annotations

import datetime
import textwrap
from collections.abc import Sequence
from pathlib import Path

import click

from poolbuilder.cli.options import (
    FILE,
    map_options,
    option,
    read_settings,
    renames,
    settings_option,
    store_option,
    store_path,
)
from poolbuilder.cli.output import WIDE, progress_line, tell
from poolbuilder.records.store import AddResult, Findings, RemoveResult, Store


@click.command()
@click.argument("files", nargs=-1, type=FILE, metavar="FILE...")
@store_option
@map_options
@option("--compact", is_flag=True)
@option("--check", is_flag=True)
@option("--remove", multiple=True, metavar="SOURCE")
@option("--share/--no-share", default=None)
@settings_option("add")
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
    opened = Store(store_path(store), waiting=tell)
    code = _report_check(opened.check(progress=progress_line)) if check else 0
    for source in remove:
        code = max(code, _report_remove(opened.remove(source)))
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
@click.argument("pool", type=FILE)
@store_option
@option("--out", of="restore", type=FILE, required=True)
def restore(pool: Path, store: Path | None, out: Path) -> None:
    """Restore the records of a pool, as they were, into a store of their own.

    The service is not asked: its answers are kept beside the store, each with its hash. Of a pool
    that refresh made, lists, layers and settings are kept as well: it is built again, and compared.
    """
    from poolbuilder.refresh.runs import restored

    for line in restored(pool, store=store, usual=store_path(None), into=out):
        click.echo(line)


@click.command()
def rules() -> None:
    """List the rules by which a record is rejected or lowered, with their reasons."""
    from poolbuilder.records.rules import RULES

    for rule in RULES:
        click.echo(f"{rule.key}  ({rule.effect})")
        body = f"{rule.title}: {rule.reason}" + (f" [{rule.test}]" if rule.test else "")
        click.echo(textwrap.fill(body, WIDE, initial_indent="    ", subsequent_indent="    "))
        click.echo(f"    reads {', '.join(rule.terms)}\n")
