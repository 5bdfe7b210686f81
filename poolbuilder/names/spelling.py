"""Text of a name as strangers write it: tidied, folded, compared.

Names arrive with HTML, look-alike letters of other scripts, control characters and
slips of the pen.  What is folded here is only ever compared; the text as given stays in
its record.
"""

from __future__ import annotations

import html
import re
import unicodedata
from collections.abc import Sequence
from functools import lru_cache

from rapidfuzz import process
from rapidfuzz.distance import OSA

LONGEST_NAME = 300
"""Characters; a longer text is no name, and is not read (a quadrinomial with authors has under 200)."""

_TAG = re.compile(r"</?[A-Za-z][^<>]{0,200}>")
_SIGNS = dict.fromkeys(map(ord, "✕✖╳⨯⨉❌✗⤫"), "×")
# Cyrillic and Greek letters that look like Latin ones: a keyboard left in the other script.
_LOOK_ALIKES = str.maketrans(
    "АВЕКМНОРСТХаеорсухіѕјԁΑΒΕΖΗΙΚΜΝΟΡΤΧοχ",
    "ABEKMHOPCTXaeopcyxisjdABEZHIKMNOPTXox",
)
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


@lru_cache(maxsize=4096)
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
    found = process.extract(word, words, scorer=OSA.distance, score_cutoff=edits, limit=8)
    if not found:
        return []
    least = min(int(distance) for _, distance, _ in found)
    return sorted((near, int(distance)) for near, distance, _ in found if distance == least)
