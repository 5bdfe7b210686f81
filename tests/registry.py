"""Packages from the registries that tests compare with; .ci/run fetches them, tests never do."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


def registry_package(name: str) -> Path:
    """The unpacked folder of a registry package that .ci/run fetched; skips where it is absent.

    On CI it may not be absent.
    """
    root = os.environ.get("POOLBUILDER_REGISTRY")
    folder = Path(root or ".registry") / name
    if not folder.is_dir():
        if os.environ.get("CI"):
            pytest.fail(f"{name} was not fetched: see .ci/run")
        pytest.skip(f"{name} is not here; .ci/run fetches it")
    return folder
