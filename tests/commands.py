"""A command run in this process, as the shell would run it: what it printed, and its exit code."""

from __future__ import annotations

import contextlib
import io
import os
import signal
from collections.abc import Mapping
from pathlib import Path
from subprocess import CompletedProcess
from unittest import mock

from poolbuilder.cli import main


def command(
    *arguments: object, folder: Path | None = None, environment: Mapping[str, str] | None = None
) -> CompletedProcess[str]:
    """Run ``poolbuilder`` with these arguments, in *folder* and with more variables of the environment."""
    words, code = [str(argument) for argument in arguments], 0
    out, err, before = io.StringIO(), io.StringIO(), signal.getsignal(signal.SIGTERM)
    with contextlib.ExitStack() as stack:
        stack.enter_context(mock.patch.dict(os.environ, environment or {}))
        stack.enter_context(contextlib.chdir(folder or Path.cwd()))
        stack.enter_context(contextlib.redirect_stdout(out))
        stack.enter_context(contextlib.redirect_stderr(err))
        stack.callback(signal.signal, signal.SIGTERM, before)
        try:
            main(words)
        except SystemExit as ended:
            code = ended.code if isinstance(ended.code, int) else 0 if ended.code is None else 1
    return CompletedProcess(words, code, out.getvalue(), err.getvalue())
