"""The Hilbert curve over longitude and latitude: near on the curve is near on the map.

Rows in the order of the curve make row groups that are small in both directions, so that a
query near a place touches few of them.  Curve: Hilbert 1891, doi 10.1007/BF01199431.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["BITS", "along_curve", "of_cells"]

BITS = 16
"""Bits an axis: cells of 0.0055° of longitude by 0.0027° of latitude."""
_STEP = 4
_CHUNK = 1 << 18


def _turn(state: int, right: int, up: int) -> tuple[int, int]:
    """Digit of one quadrant, and the state of the curve inside it.

    A state holds two flags: both axes mirrored (2), axes exchanged (1).
    """
    if state & 2:
        right, up = 1 - right, 1 - up
    if state & 1:
        right, up = up, right
    if up == 0:
        state ^= 3 if right else 1
    return (3 * right) ^ up, state


@cache
def _steps() -> tuple[NDArray[np.uint32], NDArray[np.uint32]]:
    """Digits and next state for every state and every four bits of either axis."""
    size = 1 << _STEP
    digits = np.zeros(4 * size * size, dtype=np.uint32)
    states = np.zeros_like(digits)
    for start in range(4):
        for x in range(size):
            for y in range(size):
                state, code = start, 0
                for bit in range(_STEP - 1, -1, -1):
                    digit, state = _turn(state, x >> bit & 1, y >> bit & 1)
                    code = code << 2 | digit
                at = (start * size + x) * size + y
                digits[at], states[at] = code, state
    return digits, states


def of_cells(x: NDArray[np.uint32], y: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Place on the curve of the cells of a 65,536 by 65,536 grid; from 0 to 2³² - 1."""
    digits, states = _steps()
    code = np.zeros(x.shape, dtype=np.uint32)
    state = np.zeros(x.shape, dtype=np.uint32)
    for shift in range(BITS - _STEP, -1, -_STEP):
        at = (state << 8) | ((x >> shift & 15) << 4) | (y >> shift & 15)
        code = code << 8 | digits[at]
        state = states[at]
    return code


def along_curve(longitude: ArrayLike, latitude: ArrayLike) -> NDArray[np.uint32]:
    """Place of points along the curve.

    Parameters
    ----------
    longitude, latitude : array_like, (n,)
        Degrees on the globe: -180 to 180 and -90 to 90.

    Returns
    -------
    uint32 array, (n,)

    Examples
    --------
    >>> along_curve([-180.0, 180.0], [-90.0, -90.0]).tolist()
    [0, 4294967295]
    """
    lon, lat = np.asarray(longitude, dtype=np.float64), np.asarray(latitude, dtype=np.float64)
    code = np.empty(lon.shape, dtype=np.uint32)
    top = (1 << BITS) - 1
    for start in range(0, len(code), _CHUNK):
        part = slice(start, start + _CHUNK)
        x = np.minimum((lon[part] + 180.0) * ((top + 1) / 360.0), top).astype(np.uint32)
        y = np.minimum((lat[part] + 90.0) * ((top + 1) / 180.0), top).astype(np.uint32)
        code[part] = of_cells(x, y)
    return code
