"""Controlled vocabularies of Darwin Core, small tables and words, read however they are spelt and headed."""

from __future__ import annotations

import csv
import functools
import html
import io
import re
import unicodedata
from collections.abc import Collection, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from functools import cache
from pathlib import Path

from poolbuilder.errors import InputError


@cache
def _vocabularies() -> Mapping[str, dict[str, tuple[str, ...]]]:
    text = Path(__file__).with_name("vocabularies.txt").read_text(encoding="utf-8")
    found: dict[str, dict[str, tuple[str, ...]]] = {}
    for line in text.splitlines():
        name, is_line, words = line.partition(": ")
        kind, _, item = name.partition(".")
        if is_line and line[0] != "#":
            found.setdefault(kind, {})[item] = tuple(words.split())
    return found


def vocabulary(kind: str) -> Mapping[str, tuple[str, ...]]:
    """The words of a kind by their name, as ``vocabularies.txt`` has them."""
    return _vocabularies()[kind]


ESTABLISHMENT_MEANS, DEGREE_OF_ESTABLISHMENT, PATHWAY, BASIS_OF_RECORD = vocabulary("term").values()


@functools.lru_cache(maxsize=100_000)
def fold(text: str | None) -> str:
    """Letters and digits only, lower-case: ``PRESERVED_SPECIMEN`` and ``PreservedSpecimen`` agree.

    A namespace in front (``dwc:``, a web address) is dropped.

    Examples
    --------
    >>> fold("dwc:Human Observation")
    'humanobservation'
    """
    if not text:
        return ""
    last = text.strip().rstrip("/#").rsplit("/", 1)[-1].rsplit("#", 1)[-1].rsplit(":", 1)[-1]
    return "".join(letter for letter in last.casefold() if letter.isalnum())


def read_term(text: str | None, terms: Collection[str]) -> str | None:
    """The one of some terms that *text* spells in any case or with any separator, or None.

    Examples
    --------
    >>> read_term("INTRODUCED", ESTABLISHMENT_MEANS)
    'introduced'
    >>> read_term("native: endemic", ESTABLISHMENT_MEANS)
    """
    wanted = fold(text)
    return next((term for term in terms if fold(term) == wanted), None)


def columns_of(header: Sequence[str], table: str) -> dict[str, int]:
    """Position of each known column, by the surest of its headings; no position serves two."""
    folded = [fold(name) for name in header]
    found: dict[str, int] = {}
    for column, known in vocabulary(table).items():
        places = [at for word in known for at, name in enumerate(folded) if fnmatchcase(name, word)]
        free = [at for at in places if at not in found.values()]
        if free:
            found[column] = free[0]
    return found


def csv_rows(
    text: str, *, file: str | Path, error: type[InputError], delimiters: str = ","
) -> Iterator[tuple[int, list[str]]]:
    """The rows of a text that hold something, spaces collapsed, each with the line it begins at.

    Raises
    ------
    InputError
        Of type *error*, where the text is not CSV.
    """
    delimiter = max(delimiters, key=text.partition("\n")[0].count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    start = 1
    try:
        for row in reader:
            cells = [" ".join(cell.split()) for cell in row]
            if any(cells):
                yield start, cells
            start = reader.line_num + 1
    except csv.Error as damage:
        raise error.of("not_csv", file=file, row=start, error=damage) from damage


def read_rows(
    path: str | Path, table: str, *, needed: Sequence[str], remedy: str, error: type[InputError]
) -> Iterator[tuple[int, dict[str, str]]]:
    """The rows of a small table by its known columns, each with the line it begins at.

    Parameters
    ----------
    path : path
        UTF-8 text with commas, semicolons, tabs or bars between the cells.
    table : str
        The kind of table, see `vocabulary`.
    needed : sequence of str
        Columns that must be there.

    Raises
    ------
    InputError
        Of type *error*, when it cannot be read, is empty, lacks a column or is not CSV.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as damage:
        raise error.of("not_utf_text", file=path) from damage
    except OSError as damage:
        raise error.of("cannot_read", file=path, why=damage.strerror) from damage
    rows = csv_rows(text, file=path, error=error, delimiters=",;\t|")
    _, header = next(rows, (1, []))
    if not header:
        raise error.of("nothing_in_it", file=path, remedy_given=remedy)
    places = columns_of(header, table)
    if missing := [column for column in needed if column not in places]:
        raise error.of("no_column", file=path, row=1, missing=missing, remedy_given=remedy)
    for number, cells in rows:
        yield number, {column: cells[at] if at < len(cells) else "" for column, at in places.items()}


# Text of a name as strangers write it.  What is folded is only ever compared; the text as given stays in its
# record.

LONGEST_NAME = 300
"""Characters; a longer text is no name, and is not read (a quadrinomial with authors has under 200)."""

_TAG = re.compile(r"</?[A-Za-z][^<>]{0,200}>")
_SIGNS = dict.fromkeys(map(ord, "✕✖╳⨯⨉❌✗⤫"), "×")
# Cyrillic and Greek letters that look like Latin ones: a keyboard left in the other script.
_LOOK_ALIKES = str.maketrans("АВЕКМНОРСТХаеорсухіѕјԁΑΒΕΖΗΙΚΜΝΟΡΤΧοχ", "ABEKMHOPCTXaeopcyxisjdABEZHIKMNOPTXox")
_LETTERS = re.compile(r"[^a-z]+")


def plain(text: str) -> str:
    """Fold look-alike letters and accents to plain Latin letters."""
    if text.isascii():
        return text
    decomposed = unicodedata.normalize("NFKD", text.translate(_LOOK_ALIKES))
    return "".join(char for char in decomposed if not unicodedata.combining(char))


def _visible(char: str) -> str:
    kind = unicodedata.category(char)
    if kind in {"Cc", "Zs", "Zl", "Zp"}:
        return " "
    return "" if kind in {"Cf", "Cs", "Co", "Cn"} else char


def tidy(text: str) -> str:
    r"""Make one line of plain letters and signs out of a name as given.

    Markup and character entities are taken off, control characters become spaces,
    invisible ones go, signs of multiplication become ×, look-alike letters and accents
    are folded.  A text longer than :data:`LONGEST_NAME` comes back empty.

    Examples
    --------
    >>> tidy("<i>Lepomis</i> cyanellus &times;\u00a0L. gulosus")
    'Lepomis cyanellus × L. gulosus'
    """
    if len(text) > 4 * LONGEST_NAME:
        return ""
    if "&" in text:
        text = html.unescape(text)
    if "<" in text:
        text = _TAG.sub("", text)
    if not text.isascii() or not text.isprintable():
        text = plain(text.translate(_SIGNS))
        text = "".join(map(_visible, text))
    if "_" in text:
        text = text.replace("_", " ")
    text = " ".join(text.split())
    return text if len(text) <= LONGEST_NAME else ""


@functools.lru_cache(maxsize=4096)
def letters(text: str) -> str:
    """Key by which vernacular names are compared: lower-case letters alone.

    Examples
    --------
    >>> letters("Red-ear SUNFISH") == letters("redear sunfish")
    True
    """
    return _LETTERS.sub("", plain(text).lower())


def allowed_edits(word: str) -> int:
    """Edits that leave a word recognisable: 0 below four letters, 1 up to six, else 2."""
    if len(word) < 4:
        return 0
    return 1 if len(word) <= 6 else 2


def nearest(word: str, words: Sequence[str], edits: int) -> list[tuple[str, int]]:
    """The words at the least edit distance from *word*, if within *edits*.

    Letters put in, left out, replaced and swapped with a neighbour each count one
    (optimal string alignment).

    Returns
    -------
    list of (str, int)
        Word and distance; more than one when they are equally near; sorted.
    """
    # Read only where a name is misspelt: 30 ms.
    from rapidfuzz import process
    from rapidfuzz.distance import OSA

    found = process.extract(word, words, scorer=OSA.distance, score_cutoff=edits, limit=8)
    if not found:
        return []
    least = min(int(distance) for _, distance, _ in found)
    return sorted((near, int(distance)) for near, distance, _ in found if distance == least)
