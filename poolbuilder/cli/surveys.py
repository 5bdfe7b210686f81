"""``poolbuilder calibrate``: fit and score the model on surveys."""

from __future__ import annotations

import datetime
from pathlib import Path

import click

from poolbuilder.cli.options import as_of_option, map_options, read_settings, renames, settings_option
from poolbuilder.words import pool_words


@click.command()
@click.option(
    "--events",
    multiple=True,
    required=True,
    type=click.Path(path_type=Path),
    help="Darwin Core files of surveys that list every fish caught; repeatable.",
)
@click.option(
    "--records",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Darwin Core files to predict the surveys from; repeatable. [default: the other surveys]",
)
@click.option("--checklist", default="lepomis", show_default=True, help="Species that are predicted.")
@click.option("--title", default="", help="What the surveys are called. [default: the file's name]")
@settings_option("TOML file with start values.")
@map_options
@click.option(
    "--constants",
    "constants_file",
    type=click.Path(path_type=Path),
    help="Table of constants to score. [default: those that ship]",
)
@click.option(
    "--streams",
    metavar="FILE[:LAYER]",
    help="Flow lines of the region: measures what distance along them gains over straight distance.",
)
@click.option("--basins", metavar="FILE[:LAYER]", help="Watershed polygons, beside --streams.")
@click.option("--barriers", metavar="FILE[:LAYER]", help="Dams and falls as points, beside --streams.")
@as_of_option
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    help="Folder for settings.toml, scores.json and calibration.html; written whole or not at all.",
)
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
    click.echo(f"wrote {folder} (open calibration.html in a browser)", err=True)
