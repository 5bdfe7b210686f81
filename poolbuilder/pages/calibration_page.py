"""Scores ──► one page: reliability diagrams, scores beside baselines, and how it was measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from poolbuilder import pages
from poolbuilder.pages import drawings

NAMES = {
    "model": "model, the water's other fishes known",
    "withoutCommunity": "model, other fishes unknown",
    "prevalence": "prevalence",
    "anyRecord": "any record within reach",
    "recordShare": "share of records",
    "nearestDistance": "distance to the nearest record",
    "occupancyShare": "share of sampled places",
    "kernelShare": "kernel-weighted share",
}
SHOWN = {
    "brier": "Brier",
    "logLoss": "log loss",
    "auc": "AUC",
    "ece": "ECE",
    "slope": "slope",
    "intercept": "intercept",
}
SCHEME_WORDS = {
    "leaveOneOut": (
        "Waters left out one cluster at a time",
        "Each water is predicted from all places beyond the gap; models come from other clusters of waters.",
    ),
    "blocks": (
        "Whole blocks of land left out",
        "Each of ten spatial blocks is predicted without any record from inside it: how well the model "
        "does where nobody has looked nearby.",
    ),
}


def _number(value: float | None, digits: int = 3) -> str:
    return "–" if value is None else f"{value:.{digits}f}"


def _range(pair: Sequence[float | None] | None, digits: int = 3) -> str:
    if not pair or pair[0] is None or pair[1] is None:
        return ""
    return f"{pair[0]:.{digits}f} to {pair[1]:.{digits}f}"


def _rows(card: Mapping[str, Any]) -> list[dict[str, Any]]:
    own = [name for name in ("model", "withoutCommunity") if name in card]
    methods = [(name, card[name], True) for name in own]
    methods += [(name, values, False) for name, values in card["baselines"].items()]
    return [
        {
            "name": NAMES[name],
            "own": mine,
            "cells": [
                {"value": _number(values[key]), "interval": _range(values["interval90"][key])}
                for key in SHOWN
            ],
        }
        for name, values, mine in methods
    ]


def _against(card: Mapping[str, Any]) -> tuple[list[str], list[dict[str, Any]]]:
    methods = list(card["differences"])
    bases = list(card["differences"][methods[0]])
    rows = []
    for base in bases:
        cells = []
        for name in methods:
            one = card["differences"][name].get(base)
            cells.append("" if one is None else f"{_number(one['brier'])} ({_range(one['brierInterval90'])})")
        rows.append({"name": NAMES[base], "cells": cells})
    return [NAMES[name] for name in methods], rows


def _said(card: Mapping[str, Any]) -> list[str]:
    """Crosses in sentences."""
    crosses = card["crosses"]
    if not crosses["waters"]:
        return ["No water had a hybrid and two possible parents: the ranking of crosses is not measured."]
    return [
        f"At {crosses['waters']:,} waters with a hybrid and two or more possible parents, "
        f"{_percent(crosses['model'])} of the pairs caught together that three places can hold are among "
        f"the first three pairs ({_percent(crosses['withoutCommunity'])} with the fish community unknown, "
        f"{_percent(crosses['recordShare'])} by share of records).",
        "Other kinds of water than those surveyed are unknown: nothing here speaks for them.",
    ]


def ways_words(told: Mapping[str, Any]) -> str:
    """What is said of distance by water, in a sentence or two.

    Parameters
    ----------
    told : mapping
        The part ``byWater`` of scores.json.
    """

    def gained(name: str) -> str:
        estimate, low, high = told["gain"][name]
        return f"{estimate:+.4f} (90 % interval {low:+.4f} to {high:+.4f})"

    off = told["unsnapped"]
    placed = f"{told['snapped']:,} of {told['snapped'] + off:,} surveyed waters stand on the stream network"
    placed += f"; {off:,} lie near no flow line and keep their straight distance" if off else ""
    compared = (
        f"Brier {told['byWater']['brier']:.4f} by water against {told['straight']['brier']:.4f} in a "
        f"straight line, a gain of {gained('brier')}, in log loss of {gained('logLoss')}"
    )
    if told["helps"]:
        factor = f"{told['divideFactor']:g}"
        return f"Distance by water helps: {compared}. The fitted divideFactor is {factor}. {placed}."
    none = "Distance by water: no gain over straight distance that stands clear of 0"
    return f"{none}. {compared}; divideFactor is kept. {placed}."


def _percent(value: float | None) -> str:
    return "an unknown share" if value is None else f"{value:.0%}"


def _scheme(name: str, card: Mapping[str, Any]) -> dict[str, Any]:
    title, words = SCHEME_WORDS[name]
    columns, against = _against(card)
    diagrams = [
        {
            "svg": drawings.reliability(card[method]["reliability"], title=NAMES[method]),
            "caption": f"{NAMES[method].capitalize()}: found against predicted in ten equal bins, with the "
            "number of predictions in each and the 90 % interval of the share.",
        }
        for method in ("model", "withoutCommunity")
    ]
    species = [
        {
            "name": one,
            "cells": [
                f"{values['found']:,}",
                *(_number(values[key]) for key in ("brier", "auc", "ece")),
                _number(values["slope"], 2),
            ],
        }
        for one, values in card["bySpecies"].items()
    ]
    return {
        "title": title,
        "words": words,
        "diagrams": diagrams,
        "rows": _rows(card),
        "against_columns": columns,
        "against": against,
        "species": species,
        "said": _said(card),
    }


def _by_water(told: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """Distance by water beside straight distance, where streams were given."""
    if told is None:
        return None
    rows = [
        {
            "name": words,
            "own": name == "byWater",
            "cells": [f"{told[name][key]:.4f}" for key in ("brier", "logLoss", "auc")],
        }
        for name, words in (("straight", "straight distance"), ("byWater", "distance by water"))
    ]
    gains = [
        f"{told['gain'][key][0]:+.4f} ({_signed(told['gain'][key][1:])})" for key in ("brier", "logLoss")
    ]
    return {"words": ways_words(told), "rows": [*rows, {"name": "gain", "own": False, "cells": [*gains, ""]}]}


def _signed(pair: Sequence[float]) -> str:
    return f"{pair[0]:+.4f} to {pair[1]:+.4f}"


def _lead(scores: Mapping[str, Any], surveys: str) -> str:
    sites = scores["sites"]
    if scores["status"] != "calibrated":
        return (
            f"Uncalibrated. {sites:,} surveyed waters of {surveys} are too few to fit anything or to say how "
            "good the probabilities are (30 are needed); every setting keeps its start value."
        )
    model = scores["leaveOneOut"]["model"]
    return (
        f"Measured on {sites:,} surveyed waters of {surveys}, {len(scores['species'])} species, each water "
        f"predicted by models that had not seen it: of all species given some probability, about that share "
        f"was found. On average the two differ by {_number(model['ece'])}; the Brier score is "
        f"{_number(model['brier'])}, a skill of {_number(model['skill'], 2)} against prevalence alone."
    )


def render_page(scores: Mapping[str, Any], *, surveys: str) -> str:
    """The page of a calibration, whole in one file; nothing in it runs or is fetched."""
    return pages.fill(
        "calibration.html",
        styles=("calibration.css",),
        surveys=surveys,
        lead=_lead(scores, surveys),
        columns=list(SHOWN.values()),
        schemes=[_scheme(name, scores[name]) for name in SCHEME_WORDS if name in scores],
        by_water=_by_water(scores.get("byWater")),
        fitted=[f"{name}: {value:.4g}" for name, value in scores["fitted"].items()],
        gap=f"{scores['gapKm']:g}",
        sources=[
            *(
                f"{source['path']}: {source['rows']:,} rows, sha256 {source['sha256']}"
                for source in scores["sources"]
            ),
            *scores["notes"],
        ],
    )
