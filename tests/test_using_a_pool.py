"""The page on using a pool: each of its examples runs on a written pool."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from poolbuilder import Pool, write_pool

PAGE = Path(__file__).parents[1] / "demo" / "using_a_pool.md"
BLOCKS = re.findall(r"^```python\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE)


@pytest.fixture
def beside_a_pool(demo_pool: Pool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    write_pool(demo_pool, tmp_path / "pool", pages={"report.html": "<p>x</p>"})
    monkeypatch.chdir(tmp_path)
    return tmp_path


def _run(block: str) -> None:
    exec(compile(block, str(PAGE), "exec"), {"__name__": "example"})


def test_the_page_has_its_examples() -> None:
    assert len(BLOCKS) == 4


@pytest.mark.parametrize("number", range(len(BLOCKS)))
def test_an_example_runs(number: int, beside_a_pool: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _run(BLOCKS[number])
    assert capsys.readouterr().err == ""


def test_the_csv_example_says_how_many_pairs_carry_the_weight(
    beside_a_pool: Path, demo_pool: Pool, capsys: pytest.CaptureFixture[str]
) -> None:
    _run(BLOCKS[0])
    said = capsys.readouterr().out
    assert f"of {demo_pool.crosses.num_rows} pairs carry 9" in said
    assert demo_pool.crosses["formula"][0].as_py() in said


def test_the_json_example_lists_every_candidate(
    beside_a_pool: Path, demo_pool: Pool, capsys: pytest.CaptureFixture[str]
) -> None:
    _run(BLOCKS[1])
    assert len(capsys.readouterr().out.splitlines()) == demo_pool.candidates.num_rows


def test_the_update_gives_five_shares_that_fall(
    beside_a_pool: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _run(BLOCKS[3])
    shares = [float(line.split()[0]) for line in capsys.readouterr().out.splitlines()]
    assert len(shares) == 5
    assert shares == sorted(shares, reverse=True)
    assert 0.5 < sum(shares) <= 1.001


def test_every_file_that_the_page_names_is_written(beside_a_pool: Path) -> None:
    named = set(re.findall(r"`(\w+\.(?:csv|json|parquet))`", PAGE.read_text(encoding="utf-8")))
    assert named
    for file in named:
        assert (beside_a_pool / "pool" / file).exists(), file
