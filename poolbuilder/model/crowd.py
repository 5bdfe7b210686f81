"""How much less a record around a water says where many places as near hold records.

Records are not independent: where a hundred places around were sampled, every species was seen
somewhere.  The nearest places speak first; the n-th counts ``n ^ -crowdExponent``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["crowd", "nearest_of_places"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ALIKE = 0.1
"""Kernels this far apart, or less, are as good as equal: neither place is surely the nearer one."""


def crowd(kernel: Floats, places: Floats) -> Floats:
    """Number of places that stand at least as near, at least 1.

    Parameters
    ----------
    kernel : (m,) array
        Kernel of each record.
    places : (n,) array
        Kernel of each place that holds records.

    Returns
    -------
    (m,) array
        ``max(1, Σ K_j r((K_j - K_i) / 0.1 + 1/2))`` with r the value kept within 0 and 1: a
        place surely nearer counts whole, one as near by half, each by its own kernel.
    """
    order = np.sort(places)
    one = np.concatenate([[0.0], np.cumsum(order)])
    two = np.concatenate([[0.0], np.cumsum(order**2)])
    low = np.searchsorted(order, kernel - ALIKE / 2, "left")
    high = np.searchsorted(order, kernel + ALIKE / 2, "right")
    nearer = one[-1] - one[high]
    sums, squares = one[high] - one[low], two[high] - two[low]
    alike = (squares - kernel * sums) / ALIKE + sums / 2
    out: Floats = np.maximum(nearer + alike, 1.0)
    return out


def nearest_of_places(place: Ints, kernel: Floats) -> Floats:
    """Largest kernel at each place, in the order of the places' codes.

    Parameters
    ----------
    place : (n,) int array
        Code of the place of each record, 0 up.
    kernel : (n,) array
    """
    out = np.zeros(int(place.max(initial=-1)) + 1)
    np.maximum.at(out, place, kernel)
    return out
