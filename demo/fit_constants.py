"""Fit the constants that ship with the model: python demo/fit_constants.py SURVEYS.zip ... > poolbuilder/model/constants.csv

Give surveys with near-complete lists whose licences allow it (public domain, CC BY).  With --check FILE the
constants are fitted with each survey left out, too, and every water of the left-out survey is predicted with
them from the others of that survey; the scores are written to FILE, as poolbuilder/model/constants_check.csv.
"""

from __future__ import annotations

import argparse
import datetime
from pathlib import Path

import pyarrow as pa

from poolbuilder.calibrate import calibrate, read_surveys
from poolbuilder.files import write_csv
from poolbuilder.model.constants import Constants
from poolbuilder.model.looking import Looking
from poolbuilder.model.scores import fit_constants, fitted_table
from poolbuilder.names.checklist import Checklist
from poolbuilder.settings import Settings


def main() -> None:
    """Fit, print, and check where asked."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("surveys", nargs="+", type=Path)
    ask.add_argument("--checklist", default="lepomis")
    ask.add_argument("--source", default="")
    ask.add_argument("--check", type=Path)
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
    if asked.check:
        write_csv(checked(looked, given, checklist, day), asked.check)


def checked(
    looked: dict[Path, Looking], given: Constants, checklist: Checklist, day: datetime.date
) -> pa.Table:
    """Scores of each survey with constants fitted on the others, and with those given."""
    rows = []
    for left in looked:
        rest = [looking for path, looking in looked.items() if path != left]
        others = Constants.parse(fitted_table(given, fit_constants(rest, given), source="the other surveys"))
        for name, constants in (("fitted on the others", others), ("shipped", given)):
            surveyed = calibrate([left], checklist=checklist, as_of=day, constants=constants, draws=20)
            for fishes in ("model", "withoutCommunity"):
                card = surveyed.scores["leaveOneOut"][fishes]
                rows.append(
                    {
                        "leftOut": left.stem,
                        "constants": name,
                        "otherFishes": "known" if fishes == "model" else "not known",
                        **{score: round(card[score], 4) for score in ("brier", "logLoss", "auc", "ece")},
                    }
                )
    return pa.Table.from_pylist(rows)


if __name__ == "__main__":
    main()
