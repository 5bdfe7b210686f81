"""Fit the constants that ship with the model: python demo/fit_constants.py SURVEYS.zip ... > poolbuilder/model/constants.csv

Give surveys with near-complete lists whose licences allow it (public domain, CC BY).  With --check the
constants are fitted with each survey left out, too, and the left-out survey is scored with them.
"""

from __future__ import annotations

import argparse
import datetime
import sys
from pathlib import Path

from poolbuilder.calibrate import calibrate, read_surveys
from poolbuilder.model.constants import Constants
from poolbuilder.model.fitting import fit_constants, fitted_table
from poolbuilder.names.checklist import Checklist
from poolbuilder.settings import Settings


def main() -> None:
    """Fit, print, and check where asked."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("surveys", nargs="+", type=Path)
    ask.add_argument("--checklist", default="lepomis")
    ask.add_argument("--source", default="")
    ask.add_argument("--check", action="store_true")
    asked = ask.parse_args()
    given, checklist, day = Constants.shipped(), Checklist.load(asked.checklist), datetime.date(2026, 6, 1)
    looked = {
        path: read_surveys(
            [path], [], checklist=checklist, as_of=day, settings=Settings(), constants=given
        ).looking
        for path in asked.surveys
    }
    source = asked.source or ", ".join(path.stem for path in asked.surveys)
    print(fitted_table(given, fit_constants(list(looked.values()), given), source=source), end="")
    for left in asked.surveys if asked.check and len(looked) > 1 else []:
        rest = [looking for path, looking in looked.items() if path != left]
        made = Constants.parse(fitted_table(given, fit_constants(rest, given), source=source))
        card = calibrate([left], checklist=checklist, as_of=day, constants=made, draws=20).scores[
            "leaveOneOut"
        ]
        told = {name: card[name]["brier"] for name in ("model", "withoutCommunity")}
        print(f"{left.stem}, constants from the others: {told}", file=sys.stderr)


if __name__ == "__main__":
    main()
