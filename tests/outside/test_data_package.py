"""The data package of a pool against Frictionless' own validator (PyPI `frictionless`).

Data Package 2.0, https://datapackage.org.
"""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import frictionless
import pyarrow.parquet as pq
import pytest

from poolbuilder import Pool, write_pool


@pytest.fixture
def folder(demo_pool: Pool, tmp_path: Path) -> Path:
    return write_pool(demo_pool, tmp_path / "pool", pages={"report.html": "<p>x</p>"})


def _descriptor(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    return found


def _csv_tables(folder: Path) -> Any:
    """The validator's report on the CSV tables and the keys between them."""
    descriptor = _descriptor(folder)
    descriptor["resources"] = [item for item in descriptor["resources"] if item["path"].endswith(".csv")]
    (folder / "tables.json").write_text(json.dumps(descriptor), encoding="utf-8")
    return frictionless.validate(str(folder / "tables.json"))


def test_the_descriptor_is_accepted(folder: Path) -> None:
    descriptor = _descriptor(folder)
    assert list(frictionless.Package.metadata_validate(descriptor)) == []
    del descriptor["resources"][0]["path"]
    assert list(frictionless.Package.metadata_validate(descriptor)) != []


def test_the_whole_package_is_accepted(folder: Path) -> None:
    report = frictionless.validate(str(folder / "datapackage.json"))
    assert report.valid, [error.message for task in report.tasks for error in task.errors][:5]
    assert [task.place for task in report.tasks] == [
        "pool.csv",
        "crosses.csv",
        "evidence.parquet",
        "rejected.parquet",
    ]


def test_the_tables_and_their_keys_are_accepted(folder: Path) -> None:
    report = _csv_tables(folder)
    assert report.valid, [error.message for task in report.tasks for error in task.errors][:5]
    assert {task.name for task in report.tasks} == {"pool", "crosses"}


def test_a_parent_that_is_no_candidate_is_refused(folder: Path) -> None:
    path = folder / "crosses.csv"
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"(?m)^Lepomis auritus,", "Lepomis nullus,", text, count=1), encoding="utf-8")
    report = _csv_tables(folder)
    assert not report.valid
    assert "foreign key" in report.tasks[1].errors[0].message


def test_a_missing_presence_is_refused(folder: Path) -> None:
    path = folder / "pool.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    cells = lines[1].split(",")
    lines[1] = ",".join([*cells[:2], "", *cells[3:]])
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert not _csv_tables(folder).valid


def test_the_parquet_tables_hold_the_fields_described(folder: Path) -> None:
    for resource in _descriptor(folder)["resources"]:
        if resource["path"].endswith(".parquet"):
            names = pq.read_schema(folder / resource["path"]).names
            assert names == [item["name"] for item in resource["schema"]["fields"]]


def test_every_line_of_evidence_belongs_to_a_candidate(folder: Path) -> None:
    evidence = set(pq.read_table(folder / "evidence.parquet")["scientificName"].to_pylist())
    assert evidence <= set(pq.read_table(folder / "pool.parquet")["scientificName"].to_pylist())


def test_the_descriptor_moves_with_its_folder(folder: Path, tmp_path: Path) -> None:
    moved = shutil.move(folder, tmp_path / "elsewhere")
    assert _csv_tables(Path(moved)).valid
