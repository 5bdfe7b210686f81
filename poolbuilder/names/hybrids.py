"""Hybrid formulae: the text that names a cross, taken apart into the texts of its parents.

The rules of writing follow the International Code of Nomenclature for algae, fungi, and
plants, Art. H.2.1 (names of the parents joined by ×) and Rec. H.2A.1 (alphabetical order;
the direction of a cross is shown by the signs of the sexes).  The zoological code leaves
hybrid formulae free, and zoologists use the same form.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

_GENERATION = re.compile(r"\bf\d")
_EXES = re.compile(r"\bx|x\b")
_INNER = re.compile(r"[a-z]X[a-zA-Z]")
_SIGN = re.compile(
    r"""
    ×
    | (?<=[\w.)?♀♂\ ])\*(?=\ ?[\w(♀♂])           # not the star of a footnote at the end
    | (?:^|(?<=[\s)\]♀♂]))[xX](?=$|[\s(\[♀♂])   # an x that stands alone
    | (?<=[a-z])X(?=[a-z]{3}|[A-Z]\.|[A-Z][a-z]) # cyanellusXgulosus
    | (?<=\s)[xX](?=[A-Z]\.?[a-z\ ])             # xLepomis
    """,
    re.VERBOSE,
)
_WORD = re.compile(
    r"\b(?:(?:tri)?hybrid(?:e[ns]?|s)?|hybr?\.?|hibrid[oa]s?|(?:back)?cross(?:es|ed|bred|breed)?"
    r"|intergrad(?:e|es|ing)|bastarde?s?|hibrid|kruising(?:en)?|kreuzung(?:en)?|korsning|risteyma|croisement"
    r"|F[1-4])(?!\w)\.?",
    re.IGNORECASE,
)
_FEMALE = re.compile(r"♀+|\bfemales?\b|\bfem\.|\((?:f|fem)\.?\)", re.IGNORECASE)
_MALE = re.compile(r"♂+|\bmales?\b|\((?:m|male)\.?\)", re.IGNORECASE)
_DANGLING = re.compile(r"^(?:(?:or|and|with)\b\s*)+|(?:\s*\b(?:or|and|with))+$", re.IGNORECASE)
_EDGES = " \t,;:.-–—/&+()[]{}\"'"


@dataclass(frozen=True, kw_only=True)
class Formula:
    """A text that speaks of a cross.

    Attributes
    ----------
    parts : tuple of str
        The texts between the signs; empty where a parent is not named.
    sexes : tuple of (str or None)
        ``female`` or ``male``, for each part that says so.
    signed : bool
        Whether a sign of multiplication stands in the text; otherwise a word says hybrid.
    """

    parts: tuple[str, ...]
    sexes: tuple[str | None, ...]
    signed: bool


# Searches for substrings come first: they cost a tenth of a pattern, and most names hold none.
def _may_tell_sex(low: str) -> bool:
    return "male" in low or "♀" in low or "♂" in low or "fem" in low or "(f" in low or "(m" in low


def may_cross(low: str) -> bool:
    """Whether anything in a lower-case text can speak of a cross; most names have nothing."""
    return (
        "hyb" in low
        or "×" in low
        or "*" in low
        or "cross" in low
        or "hib" in low
        or "grad" in low
        or "bastard" in low
        or "kr" in low
        or "korsn" in low
        or "ristey" in low
        or "croise" in low
        or ("x" in low and _EXES.search(low) is not None)
        or ("f" in low and _GENERATION.search(low) is not None)
    )


def without_sex(text: str) -> tuple[str, str | None]:
    """Take the mention of a sex off a name; both sexes at once say nothing.

    Examples
    --------
    >>> without_sex("♀ Lepomis gulosus")
    ('Lepomis gulosus', 'female')
    """
    if not _may_tell_sex(text.lower()):
        return text, None
    female, male = bool(_FEMALE.search(text)), bool(_MALE.search(text))
    bare = " ".join(_MALE.sub(" ", _FEMALE.sub(" ", text)).split())
    if female == male:
        return (bare if female else text), None
    return bare, "female" if female else "male"


def _is_author(match: re.Match[str]) -> bool:
    """Whether a word that could say hybrid is the ichthyologist Cross instead."""
    return match[0] == "Cross" and match.start() > 0 and not match.string.isupper()


def _part(text: str) -> tuple[str, str | None]:
    bare, sex = without_sex(text)
    if bare.count("(") != bare.count(")"):  # half of a pair that holds the whole formula
        bare = bare.replace("(", " ").replace(")", " ")
    kept = " ".join(bare.split()).strip(_EDGES.replace("()", ""))
    kept = _DANGLING.sub("", kept)
    if kept.startswith("(") and kept.endswith(")"):
        kept = kept[1:-1].strip()
    if bare.rstrip().endswith(".") and kept:
        kept += "."
    return kept, sex


def split_formula(text: str) -> Formula | None:
    """Take a text apart at its signs, once it says that it names a cross.

    Parameters
    ----------
    text : str
        As :func:`poolbuilder.names.spelling.tidy` leaves it.

    Returns
    -------
    Formula or None
        None when nothing in the text speaks of a cross.

    Examples
    --------
    >>> split_formula("GREEN SUNFISH X BLUEGILL").parts
    ('GREEN SUNFISH', 'BLUEGILL')
    >>> split_formula("Lepomis hybrid").parts
    ('Lepomis',)
    >>> split_formula("Lepomis maxillaris") is None
    True
    """
    if not may_cross(text.lower()) and not _INNER.search(text):
        return None
    said = [match for match in _WORD.finditer(text) if not _is_author(match)]
    bare = text
    for match in reversed(said):
        bare = bare[: match.start()] + " " + bare[match.end() :]
    pieces = _SIGN.split(bare)
    signed = len(pieces) > 1
    if not signed and not said:
        return None
    parts, sexes = zip(*map(_part, pieces), strict=True)
    return Formula(parts=parts, sexes=sexes, signed=signed)


def direction(parents: Sequence[str], sexes: Sequence[str | None]) -> str | None:
    """Which of two parents, in alphabetical order, is the mother.

    Parameters
    ----------
    parents : sequence of str
        Accepted names as the text has them.
    sexes : sequence of (str or None)
        One for each; of a pair, one is enough.

    Returns
    -------
    str or None
        ``female,male``, ``male,female``, or None: not said, or contradicting itself.
    """
    if len(parents) != 2 or parents[0] == parents[1] or not any(sexes):
        return None
    other = {"female": "male", "male": "female"}
    first, second = sexes
    first = first or other[str(second)]
    if second is not None and second != other[first]:
        return None
    if parents[0] > parents[1]:
        first = other[first]
    return f"{first},{other[first]}"


def write_formula(parents: Iterable[str]) -> str:
    """The formula of a cross: full names in alphabetical order, joined by × and spaces.

    Examples
    --------
    >>> write_formula(["Lepomis gulosus", "Lepomis cyanellus"])
    'Lepomis cyanellus × Lepomis gulosus'
    """
    return " × ".join(sorted(set(parents)))
