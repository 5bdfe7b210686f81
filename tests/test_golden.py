"""The command line gives what it gave: golden results, compared to 1e-6 (see tests/golden/results.py)."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.golden.results import RESULTS, differences, golden, result


@pytest.mark.parametrize("name", list(RESULTS))
def test_results_are_as_they_were(name: str, tmp_path: Path) -> None:
    found = differences(golden(name), result(name, tmp_path))
    assert not found, "\n".join([f"{len(found)} differences in {name}:", *found[:20]])


def test_differences_are_found() -> None:
    was = {"pool": [{"presence": 0.5, "note": "a"}], "gone": 1}
    now = {"pool": [{"presence": 0.50001, "note": "a"}], "new": 1}
    assert [line.partition(":")[0] for line in differences(was, now)] == ["/pool/0/presence", "/gone", "/new"]
    assert not differences({"x": 0.1}, {"x": 0.1000005})
