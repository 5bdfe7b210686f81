"""The share of a location that lies inside a radius: edges of the domain and laws."""

from __future__ import annotations

import ast
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import poolbuilder.places.uncertainty as location
from poolbuilder.places.uncertainty import share_inside, sigma_km

DISTANCE = st.one_of(st.just(0.0), st.floats(1e-6, 20_000))
SIGMA = st.one_of(st.just(0.0), st.floats(1e-12, 1e-6), st.floats(1e-6, 20_000))
law = settings(max_examples=200, deadline=None, derandomize=True)


def _share(d: float, s: float, r: float) -> float:
    return float(share_inside([d], [s], r)[0])


def test_a_point_is_inside_or_not() -> None:
    assert share_inside([39.999, 40.0, 40.001], [0.0, 0.0, 0.0], 40).tolist() == [1, 1, 0]


def test_missing_stays_missing() -> None:
    assert np.isnan(share_inside([np.nan, 1.0], [1.0, np.nan], 40)).all()


def test_no_records_give_no_shares() -> None:
    empty = np.zeros(0)
    assert share_inside(empty, empty, 40).shape == (0,)


@law
@given(DISTANCE, SIGMA, st.floats(1e-3, 2000))
@example(40.0, 1e-8, 40.0)
@example(0.0, 1e4, 1e-3)
@example(20_000.0, 1e-12, 2000.0)
def test_share_is_a_share_and_grows_with_the_radius(d, s, r) -> None:
    low, high = _share(d, s, r), _share(d, s, r * 1.1)
    assert 0 <= low <= high + 1e-9 <= 1 + 2e-9


@law
@given(SIGMA.filter(lambda s: s > 1e-8), st.floats(1e-3, 2000), DISTANCE)
def test_share_falls_with_distance(s, r, d) -> None:
    assert _share(d * 1.05 + 1e-3, s, r) <= _share(d, s, r) + 1e-9


@given(st.floats(0.3, 0.9999), st.floats(0.001, 5000))
@settings(deadline=None, derandomize=True)
def test_the_quantile_lies_within_the_uncertainty(q, u) -> None:
    """At distance 0 with the radius equal to the uncertainty, the share is the quantile."""
    sigma = sigma_km(u * 1000, quantile=q)
    assert _share(0.0, float(sigma), u) == pytest.approx(q, abs=1e-9)


def test_on_the_edge_less_than_half_is_inside() -> None:
    """The circle curves away: below one half, and towards it as the location sharpens."""
    shares = share_inside(np.full(4, 40.0), np.array([10.0, 1.0, 0.1, 1e-6]), 40)
    assert (np.diff(shares) > 0).all()
    assert shares[-1] < 0.5
    assert shares[-1] == pytest.approx(0.5, abs=1e-6)


def test_equal_records_are_computed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = []
    plain = location._rice_inside

    def counting(d, s, r):
        seen.append(len(d))
        return plain(d, s, r)

    monkeypatch.setattr(location, "_rice_inside", counting)
    found = share_inside(np.tile([38.0, 41.0], 500), np.full(1000, 3.0), 40)
    assert sum(seen) == 2
    assert len(set(found.tolist())) == 2
    assert found[:2] == pytest.approx([0.5 * math.erfc(-2 / 3 / math.sqrt(2)), 0.36], abs=0.04)


def test_order_and_chunks_do_not_matter(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(9)
    d, s = rng.uniform(0, 120, 3000), rng.uniform(0, 15, 3000)
    order = rng.permutation(3000)
    whole = share_inside(d, s, 40)
    monkeypatch.setattr(location, "CHUNK", 7)
    again = share_inside(d[order], s[order], 40)
    assert whole[order] == pytest.approx(again, abs=1e-15)


def test_nothing_but_numpy_is_imported() -> None:
    tree = ast.parse(Path(location.__file__).read_text(encoding="utf-8"))
    names = {
        node.module.split(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module
    }
    names |= {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    assert names == {"__future__", "collections", "math", "numpy"}
