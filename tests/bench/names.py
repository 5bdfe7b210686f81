"""Time to read a million distinct names on one core.

Run by hand: ``python tests/bench/names.py [count]``.  Half are of other fishes, as in any
survey of a whole water; the rest are names of the list as strangers write them: with
authors, old genera, subspecies, qualifiers, slips of the pen, vernacular, crosses.  Every
text is different, so that no cache of distinct names helps.
"""

from __future__ import annotations

import random
import sys
import time

from poolbuilder import Checklist, Settings, schemas, tables
from poolbuilder.names.reader import name_records

LETTERS = "abcdefghijklmnoprstuvy"
CONSONANTS, VOWELS = "bcdfglmnprstv", "aeiou"


def _word(chance: random.Random, syllables: int) -> str:
    return "".join(chance.choice(CONSONANTS) + chance.choice(VOWELS) for _ in range(syllables))


def _author(chance: random.Random) -> str:
    name = f"{_word(chance, 3).capitalize()}, {chance.randrange(1758, 2020)}"
    return f"({name})" if chance.random() < 0.5 else name


def _slip(chance: random.Random, text: str) -> str:
    at = chance.randrange(2, len(text))
    return text[:at] + chance.choice(LETTERS) + text[at + 1 :]


def _foreign(chance: random.Random) -> str:
    kind = chance.random()
    if kind < 0.2:
        return f"{_word(chance, 3)} {_word(chance, 3)} shiner".upper()
    name = f"{_word(chance, 4).capitalize()} {_word(chance, 5)}us"
    return f"{name} {_author(chance)}" if kind < 0.6 else name


def _listed(chance: random.Random, names: list[str], vernacular: list[str]) -> str:
    kind, name = chance.random(), chance.choice(names)
    if kind < 0.45:
        return f"{name} {_author(chance)}"
    if kind < 0.55:
        return f"{name} {_word(chance, 4)}is"
    if kind < 0.65:
        return f"{_slip(chance, name)} {_author(chance)}"
    if kind < 0.70:
        return f"{name.split()[0]} cf. {name.split()[1]} {_author(chance)}"
    if kind < 0.75:
        return f"{name.split()[0]} ({_word(chance, 3).capitalize()}) {name.split()[1]} {_author(chance)}"
    if kind < 0.80:
        return f"{name.split()[0]} {_word(chance, 5)}us"
    if kind < 0.90:
        return f"{chance.choice(vernacular).upper()} ({_word(chance, 4)})"
    return f"{name} {_author(chance)} x {chance.choice(names)} {_author(chance)}"


def make_names(count: int, checklist: Checklist, seed: int = 1) -> list[str]:
    """Distinct names, the same for the same seed."""
    chance = random.Random(seed)
    names = [entry.name for entry in checklist.entries if len(entry.name.split()) == 2]
    vernacular = [name for entry in checklist.entries for name in entry.vernacular]
    made: dict[str, None] = {}
    while len(made) < count:
        made[_foreign(chance) if chance.random() < 0.5 else _listed(chance, names, vernacular)] = None
    return list(made)


def main(count: int = 1_000_000) -> None:
    """Print the seconds taken and how the names were read."""
    checklist = Checklist.load("lepomis")
    names = make_names(count, checklist)
    values: dict[str, list[object]] = {field.name: [None] * count for field in schemas.RECORDS}
    values["recordKey"] = [str(index) for index in range(count)]
    values["sourceFile"] = ["bench"] * count
    values["scientificName"] = list(names)
    records = tables.table(schemas.RECORDS, values)
    start = time.process_time()
    named = name_records(records, checklist, settings=Settings())
    seconds = time.process_time() - start
    _, roles = tables.codes(named["role"])
    codes, _ = tables.codes(named["role"])
    tally = {role: int((codes == index).sum()) for index, role in enumerate(roles)}
    print(
        f"{count:,} distinct names in {seconds:.1f} s of one core, {seconds / count * 1e6:.1f} µs each; {tally}"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
