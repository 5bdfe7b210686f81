"""Sentences stand in files of their own: each that the code asks for is there, with the facts that it names."""

from __future__ import annotations

import ast
import re
import string
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import click
import pytest

from poolbuilder.cli import COMMANDS, cli
from poolbuilder.errors import LayerError, Sentences, fault, said
from poolbuilder.words import introduced_words, pool_words

PACKAGE = Path(__file__).parents[1] / "poolbuilder"
FILES = ("faults.txt", "notes.txt", "options.txt")


@cache
def _nodes() -> list[tuple[str, ast.AST]]:
    """Every node of the package's modules, with the name of the file."""
    return [
        (path.name, node)
        for path in sorted(PACKAGE.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    ]


def _asked(file: str) -> Iterator[tuple[str, str, set[str]]]:
    """Every place where the code asks for a sentence of a file: where, key, names of the facts given."""
    for name, node in _nodes():
        if not isinstance(node, ast.Call):
            continue
        method = node.func.attr if isinstance(node.func, ast.Attribute) else ""
        function = node.func.id if isinstance(node.func, ast.Name) else ""
        of = method == "of" and "Error" in ast.unparse(node.func)
        at_line = method == "fault"  # of notes or of a table: the key comes last
        faulty = of or at_line or function == "fault"
        if faulty if file == "faults.txt" else function == "said":
            facts = {item.arg or "**" for item in node.keywords}
            aside = {"file", "row", "source", "url"} if of else set()
            for key in _keys(node.args[-1 if at_line else 0]):
                yield f"{name}:{node.lineno}", key, facts - aside


def _keys(node: ast.expr) -> list[str]:
    made = {id(part) for item in ast.walk(node) if isinstance(item, ast.JoinedStr) for part in item.values}
    texts = (item for item in ast.walk(node) if isinstance(item, ast.Constant) and id(item) not in made)
    return [item.value for item in texts if isinstance(item.value, str)]


def _named(text: str) -> set[str]:
    return {name.split(".")[0].split("[")[0] for _, name, _, _ in string.Formatter().parse(text) if name}


@pytest.mark.parametrize("file", FILES[:2])
def test_code_and_sentences_agree(file: str) -> None:
    texts = Sentences(file).texts
    wrong = [
        f"{where}: {key} given {sorted(facts)}, names {sorted(_named(texts[key]))}"
        if key in texts
        else f"{where}: {key}"
        for where, key, facts in _asked(file)
        if key not in texts or ("**" not in facts and facts != _named(texts[key]))
    ]
    assert wrong == []
    constants = {
        node.value for _, node in _nodes() if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    for path in (path for kind in ("html", "txt", "svg") for path in PACKAGE.rglob(f"*.{kind}")):
        constants.update(re.findall(r'said\("(\w+)"', path.read_text(encoding="utf-8")))
    assert [
        key for key in texts if key not in constants and f"{key.rpartition('_')[0]}_" not in constants
    ] == []


@pytest.mark.parametrize("file", FILES)
def test_a_sentence_stands_once(file: str) -> None:
    lines = (PACKAGE / "words" / file).read_text(encoding="utf-8").splitlines()
    rows = [line.split(": ", 1) for line in lines if line and not line.startswith("#")]
    assert len({key for key, _ in rows}) == len(rows)
    assert len({text for _, text in rows}) == len(rows)


def test_what_is_said_of_options_is_said_of_one() -> None:
    said = {
        item.help
        for name in COMMANDS
        for item in cli.get_command(click.Context(cli), name).params
        if isinstance(item, click.Option)
    }
    assert None not in said
    assert set(Sentences("options.txt").texts.values()) <= said


def test_faults_are_short_and_of_one_pattern() -> None:
    for key, text in Sentences("faults.txt").texts.items():
        assert not text.endswith(".") or text.endswith("= ..."), key
        assert text.count(" | ") <= 1, key


def test_an_error_is_made_of_its_sentence_and_facts() -> None:
    error = LayerError.of("no_layer", file="ponds.gpkg", layer="ponds", layers=["lakes", "rivers"])
    assert str(error) == "ponds.gpkg: has no layer 'ponds' (it has lakes, rivers)"
    assert (error.fact, error.remedy) == fault("no_layer", layer="ponds", layers=["lakes", "rivers"])
    assert said("made_straight_edges", curved=1) == "1 curved geometry made of straight edges"
    assert said("made_straight_edges", curved=1200) == "1,200 curved geometries made of straight edges"


def test_every_text_that_is_asked_for_is_there() -> None:
    asked = re.compile(r"\b(pool_words|introduced_words)\.([A-Za-z]\w*)")
    files = [path for kind in ("py", "html", "txt") for path in PACKAGE.rglob(f"*.{kind}")]
    uses = {found.groups() for path in files for found in asked.finditer(path.read_text(encoding="utf-8"))}
    texts = {"pool_words": pool_words, "introduced_words": introduced_words}
    assert [
        f"{file}.{name}"
        for file, name in sorted(uses)
        if name not in {"py", "txt"} and not hasattr(texts[file], name)
    ] == []
