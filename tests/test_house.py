"""The house: README's commands, the public surface, what importing costs."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def _readme_commands() -> list[str]:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
    return [block.strip() for block in blocks[:2]]


def test_ci_runs_the_test_command_of_readme() -> None:
    _, test_command = _readme_commands()
    last = (ROOT / ".ci/run").read_text(encoding="utf-8").strip().splitlines()[-1]
    assert last == test_command


def test_readme_commands_are_one_line_each() -> None:
    demo, tests = _readme_commands()
    assert "\n" not in demo
    assert demo.endswith("poolbuilder demo")
    assert "\n" not in tests


def test_readme_opens_with_one_paragraph_that_states_the_job() -> None:
    lines = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")
    assert lines[0].startswith("# poolbuilder")
    assert "which species could be the parents" in lines[1]
    assert lines[2].startswith("![")  # then a picture
    assert (ROOT / re.search(r"\((.*)\)", lines[2])[1]).is_file()


@pytest.mark.parametrize("page", ["DEVELOPERS.md", "README.md", "tests/README.md"])
def test_files_that_are_named_exist(page: str) -> None:
    named = re.findall(r"`(\w+/[\w./]+\.(?:py|csv|md|json))`", (ROOT / page).read_text(encoding="utf-8"))
    near = (ROOT, ROOT / "poolbuilder", ROOT / "tests")
    assert [name for name in named if not any((folder / name).exists() for folder in near)] == []


def test_every_dependency_has_a_lower_bound() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [
        *project["dependencies"],
        *(item for extra in project["optional-dependencies"].values() for item in extra),
    ]
    for requirement in wanted:
        assert re.search(r">=|==", requirement) or requirement.startswith("poolbuilder["), requirement
    assert len(project["dependencies"]) == len(
        {re.split(r"[><=\[ ]", item)[0] for item in project["dependencies"]}
    )


def test_top_level_is_as_designed() -> None:
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split()
    if not listed:
        pytest.skip("not a git checkout")
    top = {path.split("/")[0] for path in listed if not path.startswith(".")}
    assert top == {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "poolbuilder",
        "data_cache",
        "tests",
        "demo",
    } | (top & {"LICENSE"})


def test_ruff_is_content() -> None:
    for command in (["check", "."], ["format", "--check", "."]):
        done = subprocess.run(
            [sys.executable, "-m", "ruff", *command], cwd=ROOT, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr


def test_mypy_is_content(mypy: subprocess.Popen[str]) -> None:
    said, faults = mypy.communicate()
    assert mypy.returncode == 0, said + faults


def test_plain_words_only() -> None:
    """The project speaks of itself alone: no machine paths."""
    for path in ROOT.rglob("*"):
        if path.suffix in {".py", ".md", ".toml", ".html", ".js", ".css"} and not {
            ".venv",
            ".git",
            ".registry",
        } & set(path.parts):
            text = path.read_text(encoding="utf-8", errors="replace")
            assert not re.search(r"(?<![\w.])/(?:work|root|home/\w+)/", text), path


def test_readme_python_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The Python of README, as it stands there."""
    code = re.search(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    assert code
    (tmp_path / "records.zip").write_bytes((ROOT / "poolbuilder/demo_data/records.zip").read_bytes())
    monkeypatch.chdir(tmp_path)
    exec(code[1], {})
    assert (tmp_path / "mill_pond/pool.csv").exists()
