"""The notes on one fish as TOML, or on many as CSV: an empty form, and their reading."""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from poolbuilder import words
from poolbuilder.errors import TraitError, said
from poolbuilder.fish.characters import Character, Fish, Seen, TraitTable, Value
from poolbuilder.settings import Settings, parsed_toml

ABOUT = ("name", "date", "place", "observer", "remarks", "photos")
FISH = ("sex", "size", "breeding", *ABOUT)
SEXES = ("male", "female", "unknown")
SIZES = ("young", "adult", "unknown")
BREEDING = {"yes": True, "no": False, "unknown": None}
STANDARD_LENGTH = "standard_length_mm"
LONGEST_PART = {"pectoral_length_mm": 0.6, "body_depth_mm": 0.8, "flap_length_mm": 0.35}
"""Largest part of the standard length that a measure can be."""
MOST_TEXT = 20_000
SIDES_MAY_DIFFER = 2
SURE = {"sure": 0.97, "fairly sure": 0.85, "unsure": 0.6}
"""Words for how sure, as shares of looks that are right; start values."""
MOST_FISH = 2000


def read_fish(path: str | Path, table: TraitTable, *, settings: Settings) -> list[Fish]:
    """Read the notes on fish: one fish of a TOML file, one a row of a CSV file.

    Raises
    ------
    TraitError
        With file, line and remedy.
    """
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except OSError as error:
        raise TraitError.of("cannot_read", file=path, why=error.strerror) from error
    except UnicodeDecodeError as error:
        raise TraitError.of("not_utf_text", file=path) from error
    if Path(path).suffix.lower() != ".csv":
        return [parse_fish(text, table, settings=settings, where=str(path))]
    return _fish_of_rows(text, table, settings, str(path))


def _fish_of_rows(text: str, table: TraitTable, settings: Settings, where: str) -> list[Fish]:
    """One fish a row; ``sure_KEY`` and ``why_KEY`` stand in columns of their own."""
    reader = csv.DictReader(io.StringIO(text, newline=""))
    made: list[Fish] = []
    try:
        for row in reader:
            given = {key.strip(): (value or "").strip() for key, value in row.items() if isinstance(key, str)}
            if None in row or len(made) == MOST_FISH:
                fact = said("more_cells_header") if None in row else f"holds more than {MOST_FISH} fish"
                raise TraitError(fact, file=where, row=reader.line_num, remedy=said("fish_row_value"))
            if any(given.values()):
                notes = from_fields(given, table)
                made.append(fish_from(notes, table, settings=settings, where=where, row=reader.line_num))
    except csv.Error as error:
        raise TraitError.of("not_csv", file=where, row=reader.line_num, error=error) from error
    if not made:
        raise TraitError.of("no_fish", file=where)
    return made


def from_fields(given: Mapping[str, str], table: TraitTable) -> dict[str, dict[str, Any]]:
    """Notes from texts by key, as a form or a row of a table has them; empty ones are left out."""
    states = {name for each in table.characters if each.states for name in (each.key, *each.also)}
    about: dict[str, Any] = {key: given[key] for key in FISH if given.get(key, "").strip()}
    if "photos" in about:
        about["photos"] = [line.strip() for line in re.split(r"[\n;]", about["photos"]) if line.strip()]
    seen: dict[str, Any] = {}
    for key, text in given.items():
        if not text.strip() or key in FISH or key.startswith(("sure_", "why_")):
            continue
        parts = [part.strip() for part in re.split(r";|\band\b", text)] if key in states else [number(text)]
        entry = {"value": parts[0] if len(parts) == 1 else parts}
        if given.get(f"sure_{key}", "").strip():
            entry["sure"] = number(given[f"sure_{key}"])
        if given.get(f"why_{key}", "").strip():
            entry["why"] = given[f"why_{key}"].strip()
        seen[key] = entry
    return {"fish": about, "seen": seen}


def number(text: str) -> Any:
    """A number as it was typed, with a point or a comma; any other text as it is."""
    plain = text.strip().replace(",", ".")
    try:
        figure = float(plain)  # first: a whole number of hundreds of digits is none that anybody counted
        return int(plain) if plain.lstrip("+-").isdecimal() and math.isfinite(figure) else figure
    except ValueError:
        return text.strip()


def parse_fish(text: str, table: TraitTable, *, settings: Settings, where: str = "notes") -> Fish:
    """Read the notes on one fish from a TOML text; see :func:`read_fish`."""
    try:
        document = parsed_toml(text)
    except (ValueError, RecursionError) as error:
        raise TraitError.of("not_toml", file=where, error=error) from error
    return fish_from(document, table, settings=settings, where=where, lines=text.splitlines())


def fish_from(
    document: Mapping[str, Any],
    table: TraitTable,
    *,
    settings: Settings,
    where: str = "notes",
    lines: Sequence[str] = (),
    row: int | None = None,
) -> Fish:
    """Make a fish of notes that were read: sections ``fish`` and ``seen``.

    Parameters
    ----------
    where : str
        The file, for errors.
    lines, row : sequence of str, int, optional
        Its lines, or the row that the fish stands in.

    Raises
    ------
    TraitError
        As :func:`read_fish`.
    """
    return _FishNotes(document, table, settings, where, lines, row).fish()


class _Look(NamedTuple):
    """One entry under ``seen``: the key as it was written, what was seen, how sure, and why not surer."""

    key: str
    value: Any
    sure: float
    why: str


class _FishNotes:
    """Notes being read."""

    def __init__(
        self,
        document: Mapping[str, Any],
        table: TraitTable,
        settings: Settings,
        where: str,
        lines: Sequence[str],
        row: int | None,
    ) -> None:
        self.table, self.settings, self.where, self.lines, self.row = table, settings, where, lines, row
        for name in document:
            if name not in {"fish", "seen"}:
                raise self.fault(name, "unknown_section_key", name=name)
        self.about = self._section(document, "fish")
        self.given = self._section(document, "seen")
        self.names = _names(table)
        self.doubts: list[str] = []

    def fault(self, at: str, key: str, **facts: Any) -> TraitError:
        """The fault of ``words/faults.txt`` under *key*, at the line where *at* stands."""
        pattern = re.compile(rf'\s*\[?"?{re.escape(at)}"?\s*[\]=.]')
        line = next((number for number, text in enumerate(self.lines, 1) if pattern.match(text)), None)
        return TraitError.of(key, file=self.where, row=self.row or line, **facts)

    def _section(self, document: Mapping[str, Any], name: str) -> dict[str, Any]:
        section = document.get(name, {})
        if not isinstance(section, dict):
            raise self.fault(name, "not_section", name=name)
        return dict(section)

    def fish(self) -> Fish:
        self._check_about()
        looks: dict[str, _Look] = {}
        for key, given in self.given.items():
            target = self._target(key)
            look = self._look(key, given)
            if look.value is not None and target in looks:
                raise self.fault(key, "given_twice", target=target)
            if look.value is not None:
                looks[target] = look
        lengths = {key: self._length(looks.pop(key)) for key in measures(self.table) if key in looks}
        self._check_lengths(lengths)
        seen = [each for character in self.table.characters for each in self._seen(character, looks, lengths)]
        self._contradictions({each.character: each.value for each in seen})
        standard = lengths.get(STANDARD_LENGTH)
        return Fish(
            name=str(self.about.get("name", "")),
            sex=self._choice("sex", SEXES),
            stage=self._stage(None if standard is None else standard.value),
            breeding=BREEDING[self._choice("breeding", tuple(BREEDING))],
            length_mm=None if standard is None else standard.value,
            seen=tuple(seen),
            about={key: self.about[key] for key in ABOUT if key in self.about}
            | {key: look.value for key, look in lengths.items()},
            doubts=tuple(self.doubts),
        )

    # -- [fish] --------------------------------------------------------------------------

    def _check_about(self) -> None:
        for key, value in self.about.items():
            if key in self.names and key not in FISH:
                raise self.fault(
                    key, "unknown_key_under", item=key, remedy_given=said("seen_characters_measures")
                )
            if key not in FISH:
                near = difflib.get_close_matches(key, FISH, n=1)
                remedy = f"did you mean {near[0]}?" if near else f"known are {', '.join(FISH)}"
                raise self.fault(key, "unknown_key_under", item=key, remedy_given=remedy)
            if len(str(value)) > MOST_TEXT:
                raise self.fault(key, "too_long", item=key, value=len(str(value)), most_text=MOST_TEXT)
        photos = self.about.get("photos", [])
        if not isinstance(photos, list) or not all(isinstance(each, str) for each in photos):
            raise self.fault("photos", "photos_not_list", remedy_given=said("photos_side_jpg"))

    def _choice(self, key: str, choices: Iterable[str]) -> str:
        value = self.about.get(key, "unknown")
        if isinstance(value, bool):
            value = "yes" if value else "no"
        value = str(value).strip().lower() or "unknown"
        if value not in choices:
            raise self.fault(key, "unknown_word", column=key, value=value, listed=choices)
        return value

    def _stage(self, length: float | None) -> str:
        stage = self._choice("size", SIZES)
        if length is None:
            return stage
        measured = "young" if length < self.settings.young_mm else "adult"
        if stage in {"unknown", measured}:
            return measured
        own = said("standard_length_mm", length=length, measured=measured)
        self.doubts.append(said("notes_call_taken", stage=stage, own=own))
        return stage

    # -- [seen] --------------------------------------------------------------------------

    def _target(self, key: str) -> str:
        """The character or measure that a key stands for."""
        plain = _plain(key)
        if plain in self.names:
            return self.names[plain]
        near = difflib.get_close_matches(plain, self.names, n=3, cutoff=0.5)
        known = ", ".join(dict.fromkeys(self.names[name] for name in near))
        remedy = f"nearest are {known}" if near else said("poolbuilder_specimen_template")
        raise self.fault(key, "unknown_character_notes", item=key, remedy_given=remedy)

    def _look(self, key: str, given: Any) -> _Look:
        """A value with its certainty; a value that stands empty, or is a mere guess, is None."""
        entry = given if isinstance(given, dict) else {"value": given}
        if set(entry) - {"value", "sure", "why"} or "value" not in entry:
            raise self.fault(key, "no_value", item=key)
        value, sure = entry["value"], entry.get("sure", self.settings.observer_sure)
        sure = SURE.get(sure.strip().lower(), sure) if isinstance(sure, str) else sure
        if isinstance(sure, bool) or not isinstance(sure, int | float) or not 0 <= sure <= 1:
            raise self.fault(key, "sure_not_share", item=key, sure=sure, sure2=SURE)
        empty = value == [] or (isinstance(value, str) and value.strip().lower() in {"", "unknown", "?"})
        return _Look(
            key, None if empty or sure == 0 else value, float(sure), str(entry.get("why", ""))[:MOST_TEXT]
        )

    def _figure(self, key: str, value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise self.fault(key, "not_number_notes", item=key, value=value)
        return float(value)

    def _length(self, look: _Look) -> _Look:
        figure = self._figure(look.key, look.value)
        if not 0 < figure < 1000:
            raise self.fault(look.key, "not_possible", item=look.key, figure=figure)
        return look._replace(value=figure)

    def _check_lengths(self, lengths: Mapping[str, _Look]) -> None:
        whole = lengths.get(STANDARD_LENGTH)
        for key, look in lengths.items():
            if whole and look.value > LONGEST_PART.get(key, math.inf) * whole.value:
                raise self.fault(key, "too_long_standard", item=key, value=look.value, whole=whole.value)
            if whole is None:
                self.doubts.append(f"{key} says nothing without {STANDARD_LENGTH}")

    def _seen(
        self, character: Character, looks: Mapping[str, _Look], lengths: Mapping[str, _Look]
    ) -> list[Seen]:
        """What was seen of a character: by itself, on either side, and as the ratio of two measures."""
        names = (character.key, *(f"{character.key}_{side}" for side in character.sides))
        found = [looks[name] for name in names if name in looks]
        if character.numerator in lengths and character.denominator in lengths:
            above, below = lengths[character.numerator], lengths[character.denominator]
            ratio = character.factor * above.value / below.value
            found.append(_Look(character.numerator, ratio, min(above.sure, below.sure), ""))
        if not found:
            return []
        values = [self._value(character, look.key, look.value) for look in found]
        value, words = values[0], character.say(values[0])
        figures = [each for each in values if isinstance(each, float)]
        if figures:
            value = sum(figures) / len(figures)
            apart, each_side = (
                max(figures) - min(figures),
                " and ".join(f"{figure:.3g}" for figure in figures),
            )
            if apart > (SIDES_MAY_DIFFER if character.kind == "count" else 0.05 * max(figures)):
                raise self.fault(
                    found[-1].key, "contradict_another", words=character.words, each_side=each_side
                )
            words = character.say(value) + (f" (mean of {each_side})" if apart else "")
        sure = sum(look.sure for look in found) / len(found)
        why = "; ".join(dict.fromkeys(look.why for look in found if look.why))
        return [Seen(character=character.key, value=value, sure=sure, words=words, why=why)]

    def _value(self, character: Character, key: str, value: Any) -> Value:
        if isinstance(value, list) and character.states and value:
            several = tuple(dict.fromkeys(self._state(character, key, each) for each in value))
            return several if len(several) > 1 else several[0]
        if not character.is_number:
            return self._state(character, key, value)
        figure = self._figure(key, value)
        if character.kind == "count" and figure != int(figure):
            raise self.fault(key, "not_whole_number", item=key, figure=figure)
        low, high = character.low, character.high
        if not low <= figure <= high:
            raise self.fault(
                key, "not_possible_group", words=character.words, figure=figure, low=low, high=high
            )
        return figure

    def _state(self, character: Character, key: str, value: Any) -> str:
        if isinstance(value, bool) and {"present", "absent"} <= set(character.states):
            value = "present" if value else "absent"
        plain = _plain(str(value))
        if plain not in character.states:
            raise self.fault(key, "not_state", item=key, value=value, states=character.states)
        return plain

    def _contradictions(self, seen: Mapping[str, Value]) -> None:
        total, lower = seen.get("gill_rakers"), seen.get("gill_rakers_lower")
        if isinstance(total, float) and isinstance(lower, float) and lower >= total:
            raise self.fault("gill_rakers", "gill_rakers_all", total=total, lower=lower)
        for key, state, ratio, low, high in _DISAGREE:
            value = seen.get(ratio)
            if seen.get(key) == state and isinstance(value, float) and not low <= value <= high:
                first, second = self.table.by_key[key], self.table.by_key[ratio]
                both = {"first": first.words, "state": first.say(state), "second": second.words}
                raise self.fault(key, "state_contradicts_ratio", **both, value=value)


_DISAGREE = (
    ("flap_length", "short", "flap_percent_sl", 0, 14),
    ("flap_length", "very_long", "flap_percent_sl", 7, 100),
    ("pectoral_bent_forward", "short_of_eye", "pectoral_in_sl", 3.1, 10),
    ("pectoral_bent_forward", "past_nostril", "pectoral_in_sl", 0, 4.2),
)
"""A state, and the ratios that can go with it; wide, from the geometry of the head (from memory)."""


def measures(table: TraitTable) -> tuple[str, ...]:
    """Keys of the lengths in millimetres that a table's ratios are made from."""
    made = [name for each in table.characters for name in (each.numerator, each.denominator) if name]
    return tuple(dict.fromkeys([STANDARD_LENGTH, *made]))


def _names(table: TraitTable) -> dict[str, str]:
    """Every key that may be written to the key that it stands for."""
    names = {key: key for key in measures(table)}
    for character in table.characters:
        for name in (character.key, *character.also):
            names[name] = character.key
            for side in character.sides:
                names[f"{name}_{side}"] = f"{character.key}_{side}"
    return names


def _plain(text: str) -> str:
    return re.sub(r"[\s-]+", "_", text.strip().lower())


def template(table: TraitTable, *, settings: Settings) -> str:
    """An empty form with every character of a table, as TOML."""
    facts = {"characters": table.characters, "measures": measures(table), "sure": settings.observer_sure}
    return "\n".join(words.lines("fish.txt", "notes", **facts)) + "\n"
