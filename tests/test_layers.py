"""Each module imports only from the layers above its own line."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "poolbuilder"

# Top to bottom: a module may import from the lines above its own, never from its own line or below.
LAYERS = [
    ["errors"],
    ["tables", "names.vocabularies"],
    ["words"],
    ["places"],
    ["schemas", "settings", "files"],
    ["names.checklist", "records.grids", "records.dates"],
    ["records.archive", "records.values"],
    ["records.judged", "records.reading", "records.statements"],
    ["records.rules"],
    ["names.reader", "water"],
    ["records.service"],
    ["status.lists", "records.store_files"],
    ["status.polygons", "status.decision"],
    ["records.store", "accounts", "model"],
    ["surroundings"],
    ["pool"],
    ["folder", "job", "intake"],
    ["demonstration"],
    ["many"],
    ["compare"],
    ["pages"],
    ["fish"],
    ["calibrate", "introduced"],
    ["refresh"],
    ["web"],
    ["cli"],
    ["__main__"],
]  # fmt: skip

# Packages (folders) may import among their own files; their line is that of the folder.
PACKAGES = {
    "words",
    "pages",
    "fish",
    "model",
    "many",
    "records.service",
    "web",
    "water",
    "places",
    "cli",
    "refresh",
    "introduced",
}
FORBIDDEN_NAMES = {"utils", "util", "helpers", "helper", "common", "core", "base", "manager"}


def _modules() -> dict[str, Path]:
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        name = ".".join(part for part in parts if part != "__init__")
        found[name] = path
    return found


MODULES = _modules()


def _unit(name: str) -> str:
    """The module, or the package that it is a part of."""
    for package in sorted(PACKAGES, key=len, reverse=True):
        if name == package or name.startswith(package + "."):
            return package
    return name


def _line(name: str) -> int:
    for index, layer in enumerate(LAYERS):
        if _unit(name) in layer:
            return index
    raise AssertionError(f"{name} stands in no layer: add it to LAYERS and to DEVELOPERS.md")


def _imports(path: Path) -> set[str]:
    found: set[str] = set()
    tree = ast.parse(path.read_text(encoding="utf-8"))
    only_types = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for inner in ast.walk(node)
    }
    for node in ast.walk(tree):
        if id(node) in only_types:
            continue
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        elif isinstance(node, ast.ImportFrom):
            raise AssertionError(f"{path}: relative import; write the full name")
        for name in names:
            if name.startswith("poolbuilder."):
                inner = name.removeprefix("poolbuilder.")
                if inner in MODULES:
                    found.add(inner)
    return found


CHECKED = [name for name in MODULES if name not in {"", "records", "model", "names", "status"}]


@pytest.mark.parametrize("name", CHECKED)
def test_module_imports_only_from_above(name: str) -> None:
    for imported in _imports(MODULES[name]):
        if imported in {"records", "model", "names", "status"} or _unit(imported) == _unit(name):
            continue
        assert _line(imported) < _line(name), f"{name} imports {imported}, which is not above it"


@pytest.mark.parametrize("name", list(MODULES))
def test_no_module_is_named_for_nothing(name: str) -> None:
    assert not FORBIDDEN_NAMES & set(name.split("."))


def test_layers_name_only_what_exists_once() -> None:
    listed = [name for layer in LAYERS for name in layer]
    assert len(listed) == len(set(listed))


PURE = [name for name in MODULES if name.startswith("model.") or name == "records.rules"]
IMPURE = {"requests", "random", "time", "subprocess", "socket", "tempfile", "shutil", "os"}


@pytest.mark.parametrize("name", PURE)
def test_the_model_is_pure(name: str) -> None:
    tree = ast.parse(MODULES[name].read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            assert not {alias.name.split(".")[0] for alias in node.names} & IMPURE
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.module.split(".")[0] not in IMPURE
