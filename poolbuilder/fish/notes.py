"""The notes on one fish as TOML, or on many as CSV: an empty form, and their reading."""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from poolbuilder import words
from poolbuilder.errors import TraitError, fault, said
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
                raise self.fault(name, *fault("unknown_section_key", name=name))
        self.about = self._section(document, "fish")
        self.given = self._section(document, "seen")
        self.names = _names(table)
        self.doubts: list[str] = []

    def fault(self, key: str, fact: str, remedy: str) -> TraitError:
        """An error at the line where a key stands."""
        pattern = re.compile(rf'\s*\[?"?{re.escape(key)}"?\s*[\]=.]')
        line = next((number for number, text in enumerate(self.lines, 1) if pattern.match(text)), None)
        return TraitError(fact, file=self.where, row=self.row or line, remedy=remedy)

    def _section(self, document: Mapping[str, Any], name: str) -> dict[str, Any]:
        section = document.get(name, {})
        if not isinstance(section, dict):
            raise self.fault(name, *fault("not_section", name=name))
        return dict(section)

    def fish(self) -> Fish:
        self._check_about()
        values: dict[str, tuple[Any, float, str, str]] = {}
        for key, given in self.given.items():
            target = self._target(key)
            value, sure, why = self._with_certainty(key, given)
            if value is None:
                continue
            if target in values:
                raise self.fault(key, *fault("given_twice", target=target))
            values[target] = (value, sure, key, why)
        lengths = {
            key: self._measure(key, *values.pop(key)[:2]) for key in measures(self.table) if key in values
        }
        self._check_measures(lengths)
        seen = [
            each for character in self.table.characters for each in self._observe(character, values, lengths)
        ]
        self._contradictions({each.character: each.value for each in seen})
        return Fish(
            name=str(self.about.get("name", "")),
            sex=self._choice("sex", SEXES),
            stage=self._stage(lengths),
            breeding=BREEDING[self._choice("breeding", tuple(BREEDING))],
            length_mm=lengths[STANDARD_LENGTH][0] if STANDARD_LENGTH in lengths else None,
            seen=tuple(seen),
            about={key: self.about[key] for key in ABOUT if key in self.about}
            | {key: value for key, (value, _) in lengths.items()},
            doubts=tuple(self.doubts),
        )

    # -- [fish] --------------------------------------------------------------------------

    def _check_about(self) -> None:
        for key, value in self.about.items():
            if key not in FISH:
                near = difflib.get_close_matches(key, FISH, n=1)
                remedy = f"did you mean {near[0]}?" if near else f"known are {', '.join(FISH)}"
                if key in self.names:
                    remedy = said("seen_characters_measures")
                raise self.fault(key, *fault("unknown_key_under", item=key, remedy_given=remedy))
            if len(str(value)) > MOST_TEXT:
                raise self.fault(
                    key, *fault("too_long", item=key, value=len(str(value)), most_text=MOST_TEXT)
                )
        photos = self.about.get("photos", [])
        if not isinstance(photos, list) or not all(isinstance(each, str) for each in photos):
            remedy = said("photos_side_jpg")
            raise self.fault("photos", *fault("photos_not_list", remedy_given=remedy))

    def _choice(self, key: str, choices: Iterable[str]) -> str:
        value = self.about.get(key, "unknown")
        if isinstance(value, bool):
            value = "yes" if value else "no"
        value = str(value).strip().lower() or "unknown"
        if value not in choices:
            raise self.fault(key, *fault("unknown_word", column=key, value=value, listed=choices))
        return value

    def _stage(self, lengths: Mapping[str, tuple[float, float]]) -> str:
        stage = self._choice("size", SIZES)
        length = lengths.get(STANDARD_LENGTH)
        if length is None:
            return stage
        measured = "young" if length[0] < self.settings.young_mm else "adult"
        if stage not in {"unknown", measured}:
            own = said("standard_length_mm", length=length[0], measured=measured)
            self.doubts.append(said("notes_call_taken", stage=stage, own=own))
            return stage
        return measured

    # -- [seen] --------------------------------------------------------------------------

    def _target(self, key: str) -> str:
        plain = re.sub(r"[\s-]+", "_", key.strip().lower())
        if plain in self.names:
            return self.names[plain]
        near = difflib.get_close_matches(plain, self.names, n=3, cutoff=0.5)
        known = ", ".join(dict.fromkeys(self.names[name] for name in near))
        remedy = f"nearest are {known}" if near else said("poolbuilder_specimen_template")
        raise self.fault(key, *fault("unknown_character_notes", item=key, remedy_given=remedy))

    def _with_certainty(self, key: str, given: Any) -> tuple[Any, float, str]:
        """Value, certainty and its reason; None for a value that stands empty."""
        sure: Any = self.settings.observer_sure
        value, why = given, ""
        if isinstance(given, dict):
            if set(given) - {"value", "sure", "why"} or "value" not in given:
                raise self.fault(key, *fault("no_value", item=key))
            value, sure, why = given["value"], given.get("sure", sure), str(given.get("why", ""))[:MOST_TEXT]
        sure = SURE.get(sure.strip().lower(), sure) if isinstance(sure, str) else sure
        if isinstance(sure, bool) or not isinstance(sure, int | float) or not 0 <= sure <= 1:
            raise self.fault(key, *fault("sure_not_share", item=key, sure=sure, sure2=SURE))
        empty = value == [] or (isinstance(value, str) and value.strip().lower() in {"", "unknown", "?"})
        return (None if empty or sure == 0 else value), float(sure), why

    def _figure(self, key: str, value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise self.fault(key, *fault("not_number_notes", item=key, value=value))
        return float(value)

    def _measure(self, key: str, value: Any, sure: float) -> tuple[float, float]:
        figure = self._figure(key, value)
        if not 0 < figure < 1000:
            raise self.fault(key, *fault("not_possible", item=key, figure=figure))
        return figure, sure

    def _check_measures(self, lengths: Mapping[str, tuple[float, float]]) -> None:
        whole = lengths.get(STANDARD_LENGTH)
        for key, (value, _) in lengths.items():
            most = LONGEST_PART.get(key)
            if whole and most and value > most * whole[0]:
                raise self.fault(key, *fault("too_long_standard", item=key, value=value, whole=whole[0]))
            if key != STANDARD_LENGTH and whole is None:
                self.doubts.append(f"{key} says nothing without {STANDARD_LENGTH}")

    def _observe(
        self, character: Character, values: Mapping[str, Any], lengths: Mapping[str, tuple[float, float]]
    ) -> list[Seen]:
        found = [
            (name, *values[name][:2], values[name][2])
            for name in (character.key, *(f"{character.key}_{side}" for side in character.sides))
            if name in values
        ]
        made = _ratio(character, lengths)
        if made is not None:
            found.append((character.key, made[0], made[1], character.numerator))
        if not found:
            return []
        seen = [self._value(character, key, value) for _, value, _, key in found]
        sure = sum(each[2] for each in found) / len(found)
        why = "; ".join(dict.fromkeys(values[each[3]][3] for each in found if each[3] in values)).strip("; ")
        if not isinstance(seen[0], float):
            words = character.say(seen[0])
            return [Seen(character=character.key, value=seen[0], sure=sure, words=words, why=why)]
        figures = [value for value in seen if isinstance(value, float)]
        apart, each_side = max(figures) - min(figures), " and ".join(f"{value:.3g}" for value in figures)
        if apart > (SIDES_MAY_DIFFER if character.kind == "count" else 0.05 * max(figures)):
            raise self.fault(
                found[-1][3], *fault("contradict_another", words=character.words, each_side=each_side)
            )
        mean = sum(figures) / len(figures)
        words = character.say(mean) + (f" (mean of {each_side})" if apart else "")
        return [Seen(character=character.key, value=mean, sure=sure, words=words, why=why)]

    def _value(self, character: Character, key: str, value: Any) -> Value:
        if isinstance(value, list) and character.states and value:
            several = tuple(dict.fromkeys(self._state(character, key, each) for each in value))
            return several if len(several) > 1 else several[0]
        if not character.is_number:
            return self._state(character, key, value)
        figure = self._figure(key, value)
        if character.kind == "count" and figure != int(figure):
            raise self.fault(key, *fault("not_whole_number", item=key, figure=figure))
        if not character.low <= figure <= character.high:
            raise self.fault(
                key,
                *fault(
                    "not_possible_group",
                    words=character.words,
                    figure=figure,
                    low=character.low,
                    high=character.high,
                ),
            )
        return figure

    def _state(self, character: Character, key: str, value: Any) -> str:
        if isinstance(value, bool) and {"present", "absent"} <= set(character.states):
            value = "present" if value else "absent"
        plain = re.sub(r"[\s-]+", "_", str(value).strip().lower())
        if plain not in character.states:
            raise self.fault(key, *fault("not_state", item=key, value=value, states=character.states))
        return plain

    def _contradictions(self, seen: Mapping[str, Value]) -> None:
        total, lower = seen.get("gill_rakers"), seen.get("gill_rakers_lower")
        if isinstance(total, float) and isinstance(lower, float) and lower >= total:
            fact = said("gill_rakers_all", total=total, lower=lower)
            raise self.fault("gill_rakers", fact, said("count_upper_limb"))
        for key, state, ratio, low, high in _DISAGREE:
            value = seen.get(ratio)
            if seen.get(key) == state and isinstance(value, float) and not low <= value <= high:
                first, second = self.table.by_key[key], self.table.by_key[ratio]
                fact = f"{first.words}: {first.say(state)} contradicts {second.words} {value:.3g}"
                raise self.fault(key, fact, said("look_again_keep"))


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


def _ratio(character: Character, lengths: Mapping[str, tuple[float, float]]) -> tuple[float, float] | None:
    """A ratio from its two measures, with how sure both are together."""
    if character.numerator not in lengths or character.denominator not in lengths:
        return None
    (above, sure1), (below, sure2) = lengths[character.numerator], lengths[character.denominator]
    return character.factor * above / below, min(sure1, sure2)


def template(table: TraitTable, *, settings: Settings) -> str:
    """An empty form with every character of a table, as TOML."""
    facts = {"characters": table.characters, "measures": measures(table), "sure": settings.observer_sure}
    return "\n".join(words.lines("fish.txt", "notes", **facts)) + "\n"
