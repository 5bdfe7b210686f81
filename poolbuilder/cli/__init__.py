"""The command line: parse, one call, print."""

from __future__ import annotations

import importlib
import logging
import os
import re
import signal
import sys
import threading
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import groupby
from pathlib import Path
from typing import Any

import click

import poolbuilder
from poolbuilder.cli.options import COMMANDS, made_command
from poolbuilder.errors import InputError, PoolBuilderError
from poolbuilder.files import is_full

EXIT_CODES = """\b
Exit codes:
  0    done
  1    an error, named in one line
  2    wrong usage
  3    done, but no record lies within reach, or a source was missing (named)
  4    --fail-on found what was asked about
  70   a fault of this program, which asks for a report
  130  interrupted
  143  ended by the system (SIGTERM)"""


# Control characters, and those that turn the direction of text: a terminal would obey them, whatever
# file they came from.  A carriage return may begin a line of progress and end a line of CSV.
_OBEYED = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]|(?<!^)\r(?!\n)"
)


class _Plain:
    """A text stream that passes on what is to be read, never what is to be obeyed."""

    def __init__(self, stream: Any) -> None:
        self._stream = stream

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        return int(self._stream.write(_OBEYED.sub("\ufffd", text)))

    def writelines(self, lines: Any) -> None:
        for line in lines:
            self.write(line)


@contextmanager
def _plain_streams() -> Iterator[None]:
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = _Plain(before[0]), _Plain(before[1])
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before


class LazyGroup(click.Group):
    """A group whose commands are imported when they are needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Every command name, in the order of their groups."""
        return list(COMMANDS)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands in their groups, each with its first sentence."""
        for title, names in groupby(COMMANDS, lambda name: COMMANDS[name]["group"]):
            with formatter.section(title):
                known = [(name, self.get_command(ctx, name)) for name in names]
                formatter.write_dl([(name, found.get_short_help_str(200)) for name, found in known if found])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command, or None when there is no such command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"poolbuilder.cli.{COMMANDS[cmd_name]['module']}")
        return made_command(cmd_name, getattr(module, cmd_name))


@click.group(
    cls=LazyGroup,
    epilog=EXIT_CODES,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(poolbuilder.__version__, prog_name="poolbuilder")
@click.option("-v", "--verbose", is_flag=True, help="Say on stderr what is being done.")
def cli(verbose: bool) -> None:
    """Which species could be the parents in this water?

    Builds a weighted, explained list of candidate species from open occurrence records
    and range polygons.
    """
    if verbose:
        logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(asctime)s %(message)s")


def _stop(number: int, frame: object) -> None:
    """End as an interrupted program does, so that whatever is being written is cleared away."""
    sys.exit(128 + number)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; every error is one line on stderr.

    What is no error of ours is a fault of this program: it ends with 70, and the line asks for a report.
    """
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, _stop)
    with _plain_streams():
        _run(arguments)


def _run(arguments: list[str] | None) -> None:
    try:
        code = cli.main(args=arguments, prog_name="poolbuilder", standalone_mode=False)
        sys.stdout.flush()
    except click.exceptions.Abort:
        click.echo("interrupted", err=True)
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except PoolBuilderError as error:
        click.echo(f"error: {error}", err=True)
        sys.exit(1)
    except BrokenPipeError:
        # The reader of our output has gone; there is nobody left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:
        if is_full(error):
            click.echo("error: no space left on the disk for the output (free some space)", err=True)
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            sys.exit(1)
        if told := _of_a_path(error):
            click.echo(f"error: {told}", err=True)
            sys.exit(1)
        words = sys.argv[1:] if arguments is None else arguments
        if {"-v", "--verbose"} & set(words):
            click.echo(traceback.format_exc(), err=True)
        click.echo(_fault_line(error, words), err=True)
        sys.exit(70)
    sys.exit(code if isinstance(code, int) else 0)


def _of_a_path(error: Exception) -> InputError | None:
    """What the system says of a path that was given, where that is all that is wrong."""
    if isinstance(error, OSError) and error.filename is not None:
        return InputError.of("path_refused", file=os.fsdecode(error.filename), why=error.strerror)
    return InputError.of("path_holds_nul") if "embedded null" in str(error) else None


def _fault_line(error: Exception, arguments: list[str]) -> str:
    """A fault of this program in one line: version, command, what and where."""
    command = next((word for word in arguments if word in COMMANDS), "")
    last = traceback.extract_tb(error.__traceback__)[-1]
    what = " ".join(f"{type(error).__name__}: {error}".split())[:200]
    return (
        f"error: poolbuilder {poolbuilder.__version__} has a fault in {f'poolbuilder {command}'.strip()}: "
        f"{what} at {Path(last.filename).name}, line {last.lineno} (please report this line and the command; "
        f"poolbuilder -v {command} ... says more)"
    )
