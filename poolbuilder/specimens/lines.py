"""One fish for the terminal."""

from __future__ import annotations

from poolbuilder.specimens import Specimen
from poolbuilder.specimens.doubts import CAUTIONS

__all__ = ["summary_lines"]

FIRST = 8
PARENTS = 3
REASONS = 5


def _posterior_lines(specimen: Specimen) -> list[str]:
    weighing = specimen.weighing
    lines = [f"{'posterior':>9}  {'prior':>7}  hypothesis"]
    for index in weighing.order[:FIRST].tolist():
        lines.append(
            f"{weighing.posterior[index]:>9.3f}  {weighing.prior[index]:>7.4f}  "
            f"{weighing.hypotheses[index].formula}"
        )
    rest = float(weighing.posterior[weighing.order[FIRST:]].sum())
    if rest > 0:
        lines.append(f"{rest:>9.3f}  {'':7}  all others together")
    return lines


def _reason_lines(specimen: Specimen) -> list[str]:
    lines = []
    weighing = specimen.weighing
    chance = dict(zip(weighing.species, weighing.parenthood.tolist(), strict=True))
    for species in sorted(chance, key=lambda name: (-chance[name], name))[:PARENTS]:
        lines.append(f"{species} as a parent: {chance[species]:.3f}")
        rows = [row for row in specimen.ledger if row["scientificName"] == species]
        lines += [f"  {row['logOdds']:+.1f}  {row['words']}" for row in rows[:REASONS]]
    return lines


def _drop_lines(specimen: Specimen) -> list[str]:
    lines = ["candidates drop out:"]
    for row in specimen.drop_outs:
        moved = [f"out {', '.join(row['dropped'])}"] if row["dropped"] else []
        moved += [f"back {', '.join(row['returned'])}"] if row["returned"] else []
        if moved or not row["character"]:
            what = f"{row['words']} {row['seen']}".strip()
            lines.append(f"  {what}: {'; '.join(moved) or 'none'} ({row['left']} left)")
    return lines


def summary_lines(specimen: Specimen) -> list[str]:
    """Everything that the terminal shows of one fish, a line each."""
    fish = specimen.fish
    name = fish.name or "the fish"
    lines = [
        f"{name}: {len(fish.seen)} characters against the pool of {specimen.pool.site.name or 'the water'}",
        specimen.verdict.sentence,
        "",
        *_posterior_lines(specimen),
        "",
    ]
    if fish.seen:
        lines += [*_reason_lines(specimen), "", *_drop_lines(specimen), ""]
    for pair, index in specimen.indices if fish.seen else []:
        if index.by_character:
            each = ", ".join(f"{key} {row[3]:.0f}" for key, row in index.by_character.items())
            lines.append(f"hybrid index {pair.formula}: {index.weighted:.0f} ({each})")
    lines.append("what would tell most next:")
    for row in specimen.next_characters:
        care = f" ({row['care']})" if row["care"] else ""
        lines.append(f"  {row['bits']:.2f} bits  {row['words']}: {row['look']}{care}")
    for row in specimen.sensitivity:
        if row["changed"]:
            lines.append(f"{row['words']}: {row['leading']} {row['share']:.3f} would come first")
    lines += [f"doubt: {text}" for text in specimen.doubts]
    lines += CAUTIONS
    return lines
