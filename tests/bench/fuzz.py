"""Mutated inputs for every reader: none may end in a traceback, a hang over 30 s or 2 GiB of memory.

    python tests/bench/fuzz.py                        # 10,000 inputs for each reader
    python tests/bench/fuzz.py --inputs 300 --only plan,waters --seed 7

The seed is printed; an input that was lost is named by reader, seed and number, and comes back with
``--again "plan 7 123"``, which writes it to a file.  Each reader runs in a process of its own; files lie in
memory where the system has ``/dev/shm``, for much of what is read is written first, safely.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests import hostile


def _tried(task: tuple[str, int, int]) -> hostile.Outcome:
    name, seed, inputs = task
    return hostile.tried(name, hostile.readers()[name], seed=seed, inputs=inputs)


def _again(words: str) -> None:
    name, seed, number = words.rsplit(" ", 2)
    reader = hostile.readers()[name]
    chance = random.Random(f"{name} {seed} {number}")
    path = Path(reader.file)
    path.write_bytes(reader.mutate(chance.choice(reader.seeds), chance))
    print(f"wrote {path}; reading it")
    print(reader.read(path))


def main() -> None:
    """Try them and print a table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--inputs", type=int, default=10_000)
    options.add_argument("--seed", type=int, default=random.randrange(10**6))
    options.add_argument("--only", default=",".join(hostile.readers()))
    options.add_argument("--again", metavar="INPUT")
    given = options.parse_args()
    if given.again:
        _again(given.again)
        return
    if Path("/dev/shm").is_dir():
        os.environ.setdefault("TMPDIR", "/dev/shm")
    print(f"seed {given.seed}\n\n| reader | tried | refused | read | lost | s |\n|---|---|---|---|---|---|")
    lost = []
    for name in given.only.split(","):
        start = time.perf_counter()
        context = multiprocessing.get_context("spawn")
        with context.Pool(1) as pool:
            outcome = pool.apply(_tried, [(name, given.seed, given.inputs)])
        figures = " | ".join(f"{outcome.counts[kind]:,}" for kind in ("tried", "refused", "read", "lost"))
        print(f"| {name} | {figures} | {time.perf_counter() - start:.0f} |", flush=True)
        lost += outcome.lost
    print(*lost[:200], sep="\n")
    sys.exit(1 if lost else 0)


if __name__ == "__main__":
    main()
