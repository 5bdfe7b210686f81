"""Waters where a hybrid was caught: which species live there more often than elsewhere.

Most hybrids are recorded without their parents' names.  Still they tell of parents: a species
that crosses readily is found beside them more often than its presence in like waters lets
expect.  That excess is learnt from the region's own lists and held near 0, so that a few
hybrids move little.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from poolbuilder.model.logistic import fit, inverse_logit

__all__ = ["FEW_WATERS", "HybridWaters", "learn_hybrid_waters"]

Floats = NDArray[np.float64]

FEW_WATERS = 5
"""With hybrids at fewer waters nothing is learnt."""

SHARED_SD = 1.0
LEAN_SD = 0.5
"""Standard deviations of the priors, log-odds: of the shift of all species, and of each one's own."""

WORTH_WORDS = 0.2


@dataclass(frozen=True, kw_only=True, eq=False)
class HybridWaters:
    """How presence shifts, in log-odds, where a hybrid is known to live.

    Attributes
    ----------
    waters : int
        Places of the region where a hybrid was caught.
    shared : float
        Shift of all species: a hybrid shows that sunfishes live here at all.
    lean : (s,) array
        Each species' own shift on top of it.
    met : (s,) array
        Places with a hybrid where the species was found.
    expected : (s,) array
        At how many it would have been found by the shared shift alone.
    species : tuple of str
    """

    species: tuple[str, ...]
    waters: int
    shared: float
    lean: Floats
    met: Floats
    expected: Floats

    def shift(self, species: str) -> float:
        """Log-odds to add to the presence of a species; the shared shift for one not known here."""
        own = float(self.lean[self.species.index(species)]) if species in self.species else 0.0
        return self.shared + own

    def presence(self, species: str, presence: float) -> float:
        """Presence in a water that holds a hybrid, from presence in the water at large."""
        odds = presence / (1 - presence) * math.exp(self.shift(species))
        return odds / (1 + odds)

    def summary(self) -> str:
        """Where hybrids were caught, and which species live there more or less often than usual."""
        order = np.argsort(-self.lean, kind="stable").tolist()
        more = [row for row in order if self.lean[row] >= WORTH_WORDS]
        fewer = [row for row in order[::-1] if self.lean[row] <= -WORTH_WORDS]
        said = (
            f"hybrids were caught at {self.waters:,} sampled places of the region; pairs are weighed as there"
        )
        for rows, how in ((more, "more often"), (fewer, "less often")):
            named = [
                f"{self.species[row]} (at {self.met[row]:.0f}, usual {self.expected[row]:.0f})"
                for row in rows
            ]
            said += f"; found there {how} than usual: {', '.join(named)}" if named else ""
        return said

    def words(self, species: str) -> str:
        """What is known of a species beside hybrids, or nothing where it is as expected."""
        if species not in self.species:
            return ""
        row = self.species.index(species)
        if abs(float(self.lean[row])) < WORTH_WORDS:
            return ""
        return (
            f"{species} was found at {self.met[row]:.0f} of the {self.waters:,} places of the region where a "
            f"hybrid was caught; {self.expected[row]:.0f} would be usual"
        )


def learn_hybrid_waters(
    log_odds: Floats, found: Floats, species: Sequence[str], *, found_share: float
) -> HybridWaters | None:
    """Learn the shifts from the places where a hybrid was caught.

    Parameters
    ----------
    log_odds : (n, s) array
        Of presence at those places, as the region's lists predict it.
    found : (n, s) array
        1 where the species was found there.
    species : sequence of str
    found_share : float
        Completeness of the lists, in (0, 1].

    Returns
    -------
    HybridWaters or None
        None with fewer than five places.
    """
    size, s = found.shape
    if size < FEW_WATERS:
        return None
    x = np.column_stack([np.ones(size * s), np.tile(np.eye(s), (size, 1))])
    learnt = fit(
        x,
        found.reshape(-1),
        mean=np.zeros(1 + s),
        precision=np.concatenate([[SHARED_SD**-2], np.full(s, LEAN_SD**-2)]),
        found_share=found_share,
        offset=log_odds.reshape(-1),
    ).coefficients
    shared = float(learnt[0])
    return HybridWaters(
        species=tuple(species),
        waters=size,
        shared=shared,
        lean=learnt[1:],
        met=found.sum(axis=0),
        expected=found_share * inverse_logit(log_odds + shared).sum(axis=0),
    )
