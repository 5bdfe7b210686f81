"""What the rows of a checklist make of one name."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from poolbuilder.entry import Entry

__all__ = ["Sense", "sense_of"]

_MATCH = {"accepted": "exact", "synonym": "synonym", "ambiguous": "ambiguous", "hybrid": "hybrid"}


@dataclass(frozen=True, kw_only=True)
class Sense:
    """What one name means.

    Attributes
    ----------
    role : str
        ``candidate``, ``hybrid`` (a name given to a cross), ``genus``, ``unknown``,
        ``group`` or ``none``.
    accepted : tuple of str
    nominal : str or None
        The one accepted species meant by the letter of the name, even where it is ambiguous.
    match : str
    genus : str
        Lower-case genus as written, for the next part of a formula.
    qualified, misspelt, dated : bool
        Whether doubt was expressed, the spelling mended, the sense depends on the year.
    notes : tuple of str
    """

    role: str
    accepted: tuple[str, ...] = ()
    nominal: str | None = None
    match: str = "none"
    genus: str = ""
    qualified: bool = False
    misspelt: bool = False
    dated: bool = False
    notes: tuple[str, ...] = ()

    def noted(self, note: str) -> Sense:
        """The same sense with one more note."""
        return replace(self, notes=(*self.notes, note))


def _several(first: Entry, accepted: tuple[str, ...], genus: str, dated: bool) -> Sense:
    """A name that may mean several species."""
    epithet = first.name.split()[-1]
    same = [name for name in accepted if name == first.name or name.split()[-1] == epithet]
    note = f"may mean {' or '.join(accepted)}" + (f": {first.note}" if first.note else "")
    return Sense(
        role="candidate",
        accepted=accepted,
        nominal=same[0] if same else None,
        match="ambiguous",
        genus=genus,
        dated=dated,
        notes=(note,),
    )


@lru_cache(maxsize=16384)
def sense_of(
    entries: tuple[Entry, ...], *, year: int | None, match: str | None = None, genus: str = ""
) -> Sense:
    """The sense that the rows of one name give it in a year.

    Parameters
    ----------
    entries : tuple of Entry
        At least one, the narrowest claim on a year first.
    year : int or None
    match : str, optional
        How the name was found, where that says more than the row's status.
    genus : str
        Lower-case genus as written.
    """
    holding = [entry for entry in entries if entry.holds_in(year)] or list(entries)
    first = holding[0]
    dated = any(entry.dated for entry in entries)
    if first.status == "hybrid":
        note = f"{first.name} is a name given to a cross"
        return Sense(role="hybrid", accepted=first.accepted, match="hybrid", genus=genus, notes=(note,))
    meant = [entry for entry in holding if entry.status != "hybrid"]
    accepted = tuple(sorted({name for entry in meant for name in entry.accepted}))
    if len(accepted) > 1:
        return _several(first, accepted, genus, dated)
    matched = match or _MATCH[first.status]
    notes: tuple[str, ...] = ()
    if first.status == "synonym":
        notes = (f"{first.name} is read as {accepted[0]}",)
        if matched == "synonym" and len(first.name.split()) == 3:
            matched = "subspecies"
    return Sense(
        role="candidate",
        accepted=accepted,
        nominal=accepted[0],
        match=matched,
        genus=genus,
        dated=dated,
        notes=notes,
    )
