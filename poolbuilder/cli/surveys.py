"""``calibrate`` and ``settings``: the model fitted to surveys and scored on them; its numbers."""

from __future__ import annotations

import datetime
import textwrap
from pathlib import Path

import click

from poolbuilder.cli.options import (
    FILE,
    LAYER,
    as_of_option,
    map_options,
    option,
    read_settings,
    renames,
    settings_option,
)
from poolbuilder.cli.output import WIDE, tell
from poolbuilder.settings import Settings
from poolbuilder.words import pool_words


@click.command()
@option("--events", multiple=True, required=True, type=FILE)
@option("--records", of="calibrate", multiple=True, type=FILE)
@option("--checklist", of="calibrate", default="lepomis", show_default=True)
@option("--title", default="")
@settings_option("calibrate")
@map_options
@option("--constants", "constants_file", of="calibrate", type=FILE)
@option("--streams", of="calibrate", metavar=LAYER)
@option("--basins", of="calibrate", metavar=LAYER)
@option("--barriers", of="calibrate", metavar=LAYER)
@as_of_option
@option("--out", of="calibrate", type=FILE, required=True)
def calibrate(
    events: tuple[Path, ...],
    records: tuple[Path, ...],
    checklist: str,
    title: str,
    settings_file: Path | None,
    mapping: tuple[str, ...],
    date_order: str | None,
    constants_file: Path | None,
    streams: str | None,
    basins: str | None,
    barriers: str | None,
    as_of: datetime.date,
    out: Path,
) -> None:
    """Fit the model to surveys and score it on waters that it has not seen."""
    if streams is None and (basins or barriers):
        raise click.UsageError("--basins and --barriers need --streams: give the flow lines too")
    from poolbuilder.calibrate import calibrate as run
    from poolbuilder.calibrate import write_calibration
    from poolbuilder.model.constants import Constants
    from poolbuilder.names.checklist import Checklist

    done = run(
        events,
        records,
        checklist=Checklist.load(checklist),
        as_of=as_of,
        settings=read_settings(settings_file),
        renames=renames(mapping, date_order),
        title=title,
        layers=None if streams is None else {"streams": streams, "basins": basins, "barriers": barriers},
        constants=None if constants_file is None else Constants.read(constants_file),
    )
    folder = write_calibration(done, out)
    click.echo(done.pool_words()["words"])
    for scheme, name in (("leaveOneOut", "waters left out"), ("blocks", "blocks left out")):
        card = done.scores.get(scheme)
        if card is None:
            continue
        click.echo(f"{name} ({card['sites']:,} waters): Brier, log loss, AUC, ECE, slope")
        rows = {"model": card["model"], "withoutCommunity": card["withoutCommunity"], **card["baselines"]}
        for label, values in rows.items():
            told = [values[key] for key in ("brier", "logLoss", "auc", "ece", "slope")]
            cells = "".join("      –" if one is None else f"{one:8.4f}" for one in told)
            click.echo(f"  {pool_words.METHODS[label]:38s}{cells}")
    for name, values in done.scores.get("thinned", {}).items():
        click.echo(f"a {name} of the records, fish community unknown: Brier {values['brier']:.4f}")
    if "byWater" in done.scores:
        click.echo(pool_words.ways(done.scores["byWater"]))
    elif streams is not None:
        click.echo("Distance along the stream network was not measured: too few surveyed waters.")
    tell(f"wrote {folder} (open calibration.html in a browser)")


@click.command()
def settings() -> None:
    """List every number of the model with its unit, bounds and reason.

    The listing is TOML: save it, change what you like, and give it to --settings.
    """
    click.echo("[settings]")
    for row in Settings.explain():
        text = f"{row['reason']} ({row['unit']}, {row['bounds']})"
        click.echo(textwrap.fill(text, WIDE - 2, initial_indent="# ", subsequent_indent="# "))
        value = f'"{row["default"]}"' if isinstance(row["default"], str) else f"{row['default']:g}"
        click.echo(f"{row['name']} = {value}\n")
