"""The memory of one water: what was found and missed in it, through time.

A water holds a species in a year or not (dynamic occupancy: MacKenzie et al. 2003, Ecology 84:2200-2207, from
memory).  Between events what is known of it passes slowly into what is usual around it; an event that names
the species, or does not, moves it by Bayes.  Detection differs from water to water and species to species:
the state is "absent" or "present and met with chance t", t on the nodes of a Beta distribution, so that many
events that missed a species never say more than the spread of detection allows.

Finds, non-detections and statements go through the same function.  All species are carried at once.
"""

from __future__ import annotations

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

    @property
    def presence(self) -> Floats:
        """Chance that each species lives in the water now, (s,)."""
        out: Floats = self.state[:, 1:].sum(axis=1)
        return out


TIME = -(10**9)


def _log_odds(state: Floats) -> Floats:
    out: Floats = np.log(state[:, 1:].sum(axis=1)) - np.log(state[:, 0])
    return out


def start_of(presence: Floats, constants: Constants) -> Floats:
    """State before any event, (s, 1 + J)."""
    _, weight = beta_nodes(constants.detection_a, constants.detection_b)
    return np.column_stack([1 - presence, presence[:, None] * weight])


def _seen_as(
    usual: Floats, here: float, completeness: Floats, mistake: Floats, constants: Constants
) -> tuple[Floats, Floats]:
    """Chance that an event names each species, in each state and in any water around, (s, 1 + J), (s, 1)."""
    chance, weight = beta_nodes(constants.detection_a, constants.detection_b)
    c = completeness[:, None]
    named = np.empty((len(usual), 1 + len(chance)))
    named[:, 0], named[:, 1:] = mistake, chance
    named *= c
    typical = (usual * float(chance @ weight) + (1 - usual) * mistake)[:, None] * c
    return here * SURE * named + (1 - here * SURE) * typical, typical


def _by_bayes(state: Floats, likelihood: Floats, start: Floats) -> Floats:
    joint = state * likelihood
    out: Floats = (1 - SLIP) * joint / joint.sum(axis=1, keepdims=True) + SLIP * start
    return out


def _likelihood(yes: Floats, typical: Floats, found: Floats) -> Floats:
    """Of an event, for each state: the chance that it missed the species, or the ratio for a find.

    With chance *here* it was made in this water; otherwise it says what an event in any water around would:
    the ratio of the two is ``here L / ((1 - here) B) + ...`` of a mixture, so that a record that may lie
    elsewhere never says much.
    """
    if not found.any():
        return 1 - yes
    share = found[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        of_find = share * np.where(typical > 0, yes / typical, 1.0) + (1 - share)
    out: Floats = np.where(share > 0, of_find, 1 - yes)
    return out


def remember(
    presence: Floats,
    events: WaterEvents,
    *,
    rate: Floats,
    now: float,
    constants: Constants,
    mistake: Floats | None = None,
) -> Memory:
    """Go through the events of a water, oldest first.

    Parameters
    ----------
    presence : (s,) array
        What the surroundings and the fish community say, above 0 and below 1; usual before, between and
        after events.
    events : WaterEvents
    rate : (s,) array
        Turnover a year.
    now : float
        Year of the answer.
    mistake : (s,) array, optional
        In place of the constant.

    Returns
    -------
    Memory

    Notes
    -----
    Between events the state moves as ``usual + (state - usual) exp(-rate dt)``.
    """
    usual = start_of(presence, constants)
    mistake = np.full(len(presence), constants.mistake) if mistake is None else mistake
    state = usual
    rows: list[tuple[int, float, Floats]] = []

    def to(year: float, state: Floats) -> Floats:
        before = _log_odds(state)
        moved = usual + (state - usual) * np.exp(-rate * (year - last))[:, None]
        rows.append((TIME, year, _log_odds(moved) - before))
        return moved

    last = np.inf
    for i in np.lexsort((events.event, events.year)).tolist():
        year = float(events.year[i])
        if year > last:
            state = to(year, state)
        before = _log_odds(state)
        seen = _seen_as(presence, float(events.here[i]), events.completeness[i], mistake, constants)
        state = _by_bayes(state, _likelihood(*seen, events.found[i]), usual)
        rows.append((int(events.event[i]), year, _log_odds(state) - before))
        last = year
    if now > last:
        state = to(now, state)
    return Memory(
        state=state,
        event=np.array([row[0] for row in rows], dtype=np.int64),
        year=np.array([row[1] for row in rows]),
        log_odds=np.array([row[2] for row in rows]).reshape(len(rows), len(presence)),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Settling:
    """What would settle it: presence after one more complete list that finds or misses the species.

    Attributes
    ----------
    if_found, if_missed : (s,) array
    lists : (s,) int array
        Complete lists that have to miss it until presence is below 5 %; -1 where fifty do not suffice.
    """

    if_found: Floats
    if_missed: Floats
    lists: Ints


def settling(state: Floats, usual: Floats, constants: Constants) -> Settling:
    """What one more complete list made in the water today would say, and how many settle it."""
    start, mistake = start_of(usual, constants), np.full(len(state), constants.mistake)
    yes, typical = _seen_as(usual, 1.0, np.ones(len(state)), mistake, constants)
    found = _by_bayes(state, _likelihood(yes, typical, np.ones(len(state))), start)
    once = later = _by_bayes(state, 1 - yes, start)
    lists = np.where(state[:, 1:].sum(axis=1) < SETTLED, 0, -1)
    for count in range(1, MOST_LISTS + 1):
        lists = np.where((lists < 0) & (later[:, 1:].sum(axis=1) < SETTLED), count, lists)
        if (lists >= 0).all():
            break
        later = _by_bayes(later, 1 - yes, start)
    return Settling(if_found=found[:, 1:].sum(axis=1), if_missed=once[:, 1:].sum(axis=1), lists=lists)
