"""Commands that print what the tool goes by: its settings and its rules."""

from __future__ import annotations

import textwrap

import click

from poolbuilder.settings import Settings

WIDTH = 100


@click.command()
def settings() -> None:
    """List every number of the model with its unit, bounds and reason.

    The listing is TOML: save it, change what you like, and give it to --settings.
    """
    click.echo("[settings]")
    for row in Settings.explain():
        click.echo(
            "\n".join(
                textwrap.wrap(
                    f"{row['reason']} ({row['unit']}, {row['bounds']})",
                    WIDTH - 2,
                    initial_indent="# ",
                    subsequent_indent="# ",
                )
            )
        )
        value = f'"{row["default"]}"' if isinstance(row["default"], str) else f"{row['default']:g}"
        click.echo(f"{row['name']} = {value}\n")


@click.command()
def rules() -> None:
    """List the rules by which a record is rejected or lowered, with their reasons."""
    from poolbuilder.records.rules import RULES

    for rule in RULES:
        click.echo(f"{rule.key}  ({rule.effect})")
        body = f"{rule.title}: {rule.reason}" + (f" [{rule.test}]" if rule.test else "")
        click.echo(textwrap.fill(body, WIDTH, initial_indent="    ", subsequent_indent="    "))
        click.echo(f"    reads {', '.join(rule.terms)}\n")
