"""Scores ──► one page: reliability diagrams, scores beside baselines, and how it was measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from poolbuilder.pages import drawings, kit

NAMES = {
    "model": "model, the water's other fishes known",
    "withoutCommunity": "model, other fishes unknown",
    "recordsAlone": "model, learnt from the records alone",
    "noLists": "records without lists of other fishes (noisy-OR, start values)",
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
    own = [name for name in ("model", "withoutCommunity", "recordsAlone", "noLists") if name in card]
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
    """Cut lists, crosses and kinds of water in sentences."""
    cut = card["cut"]
    lines = []
    for key, words in (
        ("pooled", "one threshold for all species"),
        ("byRarity", "a threshold that rises with the species' frequency"),
    ):
        one = cut[key]
        lines.append(
            f"Lists cut to keep {cut['keep']:.0%} of the occurrences, {words}: "
            f"{_number(one['speciesPerWater'], 2)} species long, keeping "
            f"{_percent(one['rareOccurrencesKept'])} of the occurrences of rare species."
        )
    crosses = card["crosses"]
    if crosses["waters"]:
        lines.append(
            f"At {crosses['waters']:,} waters with a hybrid and two or more possible parents, "
            f"{_percent(crosses['model'])} of the pairs caught together that three places can hold are among "
            f"the first three pairs ({_percent(crosses['withoutCommunity'])} with the other fishes unknown, "
            f"{_percent(crosses['recordShare'])} by share of records). Without what the hybrids caught "
            f"elsewhere tell of their parents it would be {_percent(crosses['modelByPresence'])}."
        )
    else:
        lines.append(
            "No water had a hybrid and two possible parents: the ranking of crosses is not measured."
        )
    for kind, values in card["byKind"].items():
        model = values["model"]
        told = (
            "too few to score"
            if model is None
            else f"Brier {_number(model['brier'])}, slope {_number(model['slope'], 2)}"
        )
        lines.append(f"Kind of sampling “{kind}”: {values['sites']:,} waters, {told}.")
    lines.append("Other kinds of water than those surveyed are unknown: nothing here speaks for them.")
    return lines


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


def _by_water(told: Mapping[str, Any] | None, said: str) -> dict[str, Any] | None:
    """Distance by water beside straight distance, where streams were given."""
    if told is None:
        return None
    rows = []
    for model, part in (("model", told), ("withoutCommunity", told["withoutCommunity"])):
        gains = [
            f"{part['gain'][key][0]:+.4f} ({_signed(part['gain'][key][1:])})" for key in ("brier", "logLoss")
        ]
        for name, words in (("straight", "straight distance"), ("byWater", "distance by water")):
            cells = [f"{part[name][key]:.4f}" for key in ("brier", "logLoss", "auc")]
            rows.append({"name": f"{NAMES[model]}, {words}", "own": name == "byWater", "cells": cells})
        rows.append({"name": "gain", "own": False, "cells": [*gains, ""]})
    return {"words": said, "rows": rows}


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


def render_page(scores: Mapping[str, Any], *, surveys: str, by_water: str = "") -> str:
    """The page of a calibration, whole in one file; nothing in it runs or is fetched."""
    return kit.fill(
        "calibration.html",
        styles=("calibration.css",),
        surveys=surveys,
        lead=_lead(scores, surveys),
        columns=list(SHOWN.values()),
        schemes=[_scheme(name, scores[name]) for name in SCHEME_WORDS if name in scores],
        by_water=_by_water(scores.get("byWater"), by_water),
        fitted=[
            *(f"{name}: {words}" for name, words in scores["fitted"].items()),
            *(f"kept: {words}" for words in scores["kept"]),
        ],
        gap=f"{scores['gapKm']:g}",
        sources=[
            *(
                f"{source['path']}: {source['rows']:,} rows, sha256 {source['sha256']}"
                for source in scores["sources"]
            ),
            *scores["notes"],
        ],
    )
