"""The public surface is what it says."""

from __future__ import annotations

import subprocess
import sys

import poolbuilder


def test_all_is_sorted_and_complete() -> None:
    exported = set(poolbuilder.__all__)
    assert poolbuilder.__all__ == sorted(exported)
    for name in exported:
        assert hasattr(poolbuilder, name), name
    assert "build" in exported


def test_importing_the_package_is_cheap() -> None:
    program = "import sys, poolbuilder; sys.exit(bool({'pandas', 'pyarrow', 'numpy'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0
