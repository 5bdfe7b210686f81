"""``calibrate`` and ``settings``: the model fitted to surveys and scored on them; its numbers."""

from __future__ import annotations

import click

from poolbuilder.cli.options import Given, read_settings, renames
from poolbuilder.cli.output import tell, tell_of
from poolbuilder.settings import Settings
from poolbuilder.words import pool_words


def calibrate(given: Given) -> None:
    """Fit the model to surveys and score it on waters that it has not seen."""
    if given.streams is None and (given.basins or given.barriers):
        raise click.UsageError("--basins and --barriers need --streams: give the flow lines too")
    from poolbuilder.calibrate import calibrate as run
    from poolbuilder.calibrate import write_calibration
    from poolbuilder.model.constants import Constants
    from poolbuilder.names.checklist import Checklist

    layers = {kind: getattr(given, kind) for kind in ("streams", "basins", "barriers")}
    done = run(
        given.events,
        given.records,
        checklist=Checklist.load(given.checklist),
        as_of=given.as_of,
        settings=read_settings(given.settings),
        renames=renames(given),
        title=given.title or "",
        layers=layers if given.streams else None,
        constants=None if given.constants is None else Constants.read(given.constants),
    )
    folder = write_calibration(done, given.out)
    click.echo(done.pool_words()["words"])
    tell_of("scored", done.scores, pool_words.METHODS)
    if "byWater" in done.scores:
        click.echo(pool_words.ways(done.scores["byWater"]))
    elif given.streams is not None:
        click.echo("Distance along the stream network was not measured: too few surveyed waters.")
    tell(f"wrote {folder} (open calibration.html in a browser)")


def settings(_given: Given) -> None:
    """List every number of the model with its unit, bounds and reason.

    The listing is TOML: save it, change what you like, and give it to --settings.
    """
    tell_of("settings", Settings.explain())
