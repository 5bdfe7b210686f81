"""The memory of one water: what was found and missed in it, through time.

A water holds a species in a year or not (dynamic occupancy: MacKenzie et al. 2003, Ecology 84:2200-2207, from
memory).  Between events what is known of it passes slowly into what is usual around it; an event that names
the species, or does not, moves it by Bayes.  Detection differs from water to water and species to species:
the state is "absent" or "present and met with chance t", t on the nodes of a Beta distribution, so that many
events that missed a species never say more than the spread of detection allows.

Finds, non-detections and statements go through the same function.  All species are carried at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.constants import Constants, beta_nodes

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SURE = 0.995
"""No record is surer than this to come from the water that it names: mistakes of place happen everywhere."""
SLIP = 1e-4
"""Once in ten thousand an event is not what it seems at all: nothing gets surer than that by repetition."""
SETTLED = 0.05
MOST_LISTS = 50


@dataclass(frozen=True, kw_only=True, eq=False)
class WaterEvents:
    """Events that may have been made in one water: sampling events and statements.

    Attributes
    ----------
    year : (n,) array
    here : (n,) array
        Chance that each was made in this water.
    found : (n, s) array
        Chance that the species was named and rightly; 0 where it was not named.
    completeness : (n, s) array
        Chance that it names what can be found; 0 where it did not look for the species.
    event : (n,) int array
        Row among the events of the region; -1 - i for statement i.
    """

    year: Floats
    here: Floats
    found: Floats
    completeness: Floats
    event: Ints

    def __len__(self) -> int:
        return len(self.year)


@dataclass(frozen=True, kw_only=True, eq=False)
class Memory:
    """What is known of each species in one water after all its events.

    Attributes
    ----------
    state : (s, 1 + J) array
        Chance of absence, and of presence at each node of detection.
    event : (k,) int array
        Event of each step, as in `WaterEvents`; -10**9 for time that passed.
    year : (k,) array
    log_odds : (k, s) array
        Change by each step; they sum to the change from the start.
    """

    state: Floats
    event: Ints
    year: Floats
    log_odds: Floats


TIME = -(10**9)


def _log_odds(state: Floats) -> Floats:
    out: Floats = np.log(state[..., 1:].sum(axis=-1)) - np.log(state[..., 0])
    return out


def start_of(presence: Floats, constants: Constants) -> Floats:
    """State before any event, (..., s, 1 + J)."""
    _, weight = beta_nodes(constants.detection_a, constants.detection_b)
    return np.concatenate([(1 - presence)[..., None], presence[..., None] * weight], axis=-1)


def _seen_as(
    usual: Floats, here: Floats, completeness: Floats, mistake: Floats, constants: Constants
) -> tuple[Floats, Floats]:
    """Chance that an event names each species, in each state and in any water around: (..., s, 1 + J) and
    (..., s, 1).
    """
    chance, weight = beta_nodes(constants.detection_a, constants.detection_b)
    c, sure = completeness[..., None], (here * SURE)[..., None, None]
    named = np.empty((*usual.shape, 1 + len(chance)))
    named[..., 0], named[..., 1:] = mistake, chance
    named *= sure * c
    typical = (usual * float(chance @ weight) + (1 - usual) * mistake)[..., None] * c
    return named + (1 - sure) * typical, typical


def _by_bayes(state: Floats, likelihood: Floats, start: Floats) -> Floats:
    joint = state * likelihood
    out: Floats = (1 - SLIP) * joint / joint.sum(axis=-1, keepdims=True) + SLIP * start
    return out


def _likelihood(yes: Floats, typical: Floats, found: Floats) -> Floats:
    """Of an event, for each state: the chance that it missed the species, or the ratio for a find.

    With chance *here* it was made in this water; otherwise it says what an event in any water around would:
    the ratio of the two is ``here L / ((1 - here) B) + ...`` of a mixture, so that a record that may lie
    elsewhere never says much.
    """
    if not found.any():
        return 1 - yes
    share = found[..., None]
    with np.errstate(invalid="ignore", divide="ignore"):
        of_find = share * np.where(typical > 0, yes / typical, 1.0) + (1 - share)
    out: Floats = np.where(share > 0, of_find, 1 - yes)
    return out


def remember(
    presence: Floats,
    events: Sequence[WaterEvents],
    *,
    rate: Floats,
    now: Floats,
    mistake: Floats,
    constants: Constants,
) -> tuple[list[Memory], Floats]:
    """Go through the events of some waters, oldest first.

    Parameters
    ----------
    presence : (v, m, s) array
        What the surroundings and the fish community say of each water, above 0 and below 1, in so many
        variants; usual before, between and after events.
    events : sequence of WaterEvents
        Of each water.
    rate : (v, 1, s) array
        Turnover a year.
    now : (m,) array
        Year of the answer.
    mistake : (v, 1, s) array
        Chance that a complete list names a species that is not there.

    Returns
    -------
    list of Memory
        Of each water, in the first variant.
    (v, m, s) array
        Chance that each species lives in the water now, in all of them.

    Notes
    -----
    Between events the state moves as ``usual + (state - usual) exp(-rate dt)``.
    """
    usual = start_of(presence, constants)
    state, last = usual.copy(), np.full(len(events), np.inf)
    steps: list[list[tuple[int, float, Floats]]] = [[] for _ in events]

    def note(rows: Ints, codes: Ints, years: Floats, before: Floats, after: Floats) -> None:
        change = _log_odds(after[0]) - _log_odds(before[0])
        for row, code, year, one in zip(rows.tolist(), codes.tolist(), years.tolist(), change, strict=True):
            steps[row].append((code, year, one))

    def pass_to(rows: Ints, years: Floats) -> None:
        later = years > last[rows]
        rows, years = rows[later], years[later]
        if not len(rows):
            return
        before, left = state[:, rows], np.exp(-rate * (years - last[rows])[:, None])[..., None]
        moved = usual[:, rows] + (before - usual[:, rows]) * left
        note(rows, np.full(len(rows), TIME), years, before, moved)
        state[:, rows] = moved

    count = np.array([len(each) for each in events], dtype=np.int64)
    order = [np.lexsort((each.event, each.year)) for each in events]
    for turn in range(int(count.max(initial=0))):
        rows = np.flatnonzero(count > turn)
        at = [(events[row], order[row][turn]) for row in rows.tolist()]
        year, here, code = (
            np.array([getattr(each, name)[k] for each, k in at]) for name in ("year", "here", "event")
        )
        completeness, found = (
            np.stack([getattr(each, name)[k] for each, k in at]) for name in ("completeness", "found")
        )
        pass_to(rows, year)
        before, start = state[:, rows], usual[:, rows]
        seen = _seen_as(presence[:, rows], here, completeness, mistake, constants)
        after = _by_bayes(before, _likelihood(*seen, found), start)
        note(rows, code, year, before, after)
        state[:, rows], last[rows] = after, year
    pass_to(np.arange(len(events)), now)
    return (
        [
            Memory(
                state=state[0, i],
                event=np.array([step[0] for step in mine], dtype=np.int64),
                year=np.array([step[1] for step in mine]),
                log_odds=np.array([step[2] for step in mine]).reshape(len(mine), presence.shape[-1]),
            )
            for i, mine in enumerate(steps)
        ],
        state[..., 1:].sum(axis=-1),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Settling:
    """What would settle it: presence after one more complete list that finds or misses the species.

    Attributes
    ----------
    if_found, if_missed : (..., s) array
    lists : (..., s) int array
        Complete lists that have to miss it until presence is below 5 %; -1 where fifty do not suffice.
    """

    if_found: Floats
    if_missed: Floats
    lists: Ints


def settling(state: Floats, usual: Floats, constants: Constants) -> Settling:
    """What one more complete list made in each water today would say, and how many settle it.

    Parameters
    ----------
    state : (m, s, 1 + J) array
    usual : (m, s) array

    Returns
    -------
    Settling
        Arrays of (m, s).
    """
    start, mistake = start_of(usual, constants), np.full(usual.shape, constants.mistake)
    yes, typical = _seen_as(usual, np.ones(len(usual)), np.ones(usual.shape), mistake, constants)
    found = _by_bayes(state, _likelihood(yes, typical, np.ones(usual.shape)), start)
    once = later = _by_bayes(state, 1 - yes, start)
    lists = np.where(state[..., 1:].sum(axis=-1) < SETTLED, 0, -1)
    for count in range(1, MOST_LISTS + 1):
        lists = np.where((lists < 0) & (later[..., 1:].sum(axis=-1) < SETTLED), count, lists)
        if (lists >= 0).all():
            break
        later = _by_bayes(later, 1 - yes, start)
    return Settling(if_found=found[..., 1:].sum(axis=-1), if_missed=once[..., 1:].sum(axis=-1), lists=lists)
