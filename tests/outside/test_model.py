"""The model against worked examples and textbook formulae."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest

from poolbuilder.model.argument import Part, Regional
from poolbuilder.model.candidates import Frame, decide
from poolbuilder.model.evidence import gather, noisy_or
from poolbuilder.model.location import expected_kernel, share_inside, sigma_km
from poolbuilder.places.sites import MILE_KM
from poolbuilder.settings import Settings
from poolbuilder.status.decision import Establishment
from tests.rows import located, status

NAME = "Lepomis cyanellus"
SETTINGS = Settings(
    crowd_exponent=0,  # the example takes records as independent
    kernel_km=15,
    record_weight=0.8,
    leak_no_map=0.05,
    half_life_years=20,
    uncertainty_quantile=0.95,
)

# distance km, uncertainty km, age in years, quality; then E[K], w and P(within 40 km)
EVENTS = [
    (6, 0.1, 5, 1.0, 0.670316, 0.450933, 1.000000),
    (18, 5, 20, 1.0, 0.301634, 0.120654, 1.000000),
    (35, 28, 40, 0.6, 0.111449, 0.013374, 0.610983),
]


def _located():
    rows = []
    for number, (distance, uncertainty, age, quality, *_) in enumerate(EVENTS):
        sigma = sigma_km(np.array([uncertainty * 1000.0]), quantile=0.95)
        at = np.array([float(distance)])
        rows.append(
            {
                "scientificName": NAME, "longitude": -91.0 + number, "latitude": 37.0, "uncertaintyM": uncertainty * 1000,
                "distanceKm": float(distance), "ageYears": float(age), "quality": quality, "eventID": f"E{number + 1}",
                "kernel": float(expected_kernel(at, sigma, settings=SETTINGS)[0]),
                "insideShare": float(share_inside(at, sigma, 40.0)[0]),
            }
        )  # fmt: skip
    return located(*rows)


def test_worked_example_of_three_events() -> None:
    """Computed independently with scipy (Rice distribution, adaptive quadrature), to six places.

    Formulae: leaky noisy-OR (Pearl 1988; Henrion 1989, from memory); exponential decay of
    age with half-life.
    """
    evidence = gather(_located(), status({"scientificName": NAME}), species=[NAME], settings=SETTINGS)
    rows = {row["eventKey"][-2:]: row for row in evidence.to_pylist()}
    for number, (*_, kernel, weight, inside) in enumerate(EVENTS):
        row = rows[f"E{number + 1}"]
        assert row["kernel"] == pytest.approx(kernel, abs=1e-6)
        assert row["weight"] == pytest.approx(weight, abs=1e-6)
        assert row["insideShare"] == pytest.approx(inside, abs=1e-6)
    weights = evidence["weight"].to_pylist()
    assert noisy_or(weights, leak=0.05) == pytest.approx(0.547455, abs=1e-6)
    assert -math.log1p(-0.05) + sum(evidence["hazard"].to_pylist()) == pytest.approx(0.792869, abs=1e-6)


@pytest.mark.parametrize(("lists", "expected"), [((), 0.547455), ((4, 9, 12), 0.118827)])
def test_worked_example_through_decide(lists: tuple[int, ...], expected: float) -> None:
    """List-length detectability logit p = a + b ln L (Szabo et al. 2010, Ecol. Appl. 20:2157; from memory)."""
    said = status({"scientificName": NAME})
    evidence = gather(_located(), said, species=[NAME], settings=SETTINGS)
    missed = float(np.prod([1 - 1 / (1 + math.exp(2 - math.log(length))) for length in lists]))
    if lists:
        assert missed == pytest.approx(0.111473, abs=1e-6)
    regional = Regional(step="records", silence={NAME: (missed, "three lists")} if lists else {})
    decision = decide(
        evidence,
        said,
        species=[NAME],
        vernacular={},
        establishment={NAME: Establishment(means="uncertain", source="unknown")},
        frame=Frame(radius_km=40, outlined=False, year=2026),
        regional=regional,
        settings=SETTINGS,
    )
    assert decision.candidates["presence"].to_pylist()[0] == pytest.approx(expected, abs=1e-6)


def test_noisy_or_of_three_weights() -> None:
    """w = .9e^(-5/20), .8e^(-12/20), .6e^(-30/20), leak .02 (computed; formula as above)."""
    weights = [0.9 * math.exp(-5 / 20), 0.8 * math.exp(-12 / 20), 0.6 * math.exp(-30 / 20)]
    assert weights == pytest.approx([0.700921, 0.439049, 0.133878], abs=5e-7)
    assert noisy_or(weights, leak=0.02) == pytest.approx(0.857598, abs=5e-7)
    assert noisy_or([weights[0]] * 3, leak=0.02) == pytest.approx(0.973783, abs=5e-7)


@pytest.mark.parametrize(("psi", "p", "visits", "expected"), [(0.5, 0.3, 5, 0.143887), (0.8, 0.5, 3, 1 / 3)])
def test_occupancy_after_misses(psi: float, p: float, visits: int, expected: float) -> None:
    """Posterior occupancy after n misses (MacKenzie et al. 2002, Ecology 83:2248; from memory)."""
    start = math.log(psi / (1 - psi))
    said = status({"scientificName": NAME})
    evidence = gather(located(), said, species=[NAME], settings=SETTINGS)
    regional = Regional(
        step="effort", parts={NAME: [Part("effort", start, "")]}, silence={NAME: ((1 - p) ** visits, "")}
    )
    decision = decide(
        evidence,
        said,
        species=[NAME],
        vernacular={},
        establishment={NAME: Establishment(means="uncertain", source="unknown")},
        frame=Frame(radius_km=40, outlined=False, year=2026),
        regional=regional,
        settings=SETTINGS,
    )
    assert decision.candidates["presence"].to_pylist()[0] == pytest.approx(expected, abs=1e-6)


def test_the_usual_radius() -> None:
    """A mile is 1.609344 km by definition; 25 miles are the usual radius (common practice, no source)."""
    assert pytest.approx(40.2336, abs=1e-12) == 25 * MILE_KM
    assert round(25 * MILE_KM) == 40


def test_thirteen_species_give_78_pairs() -> None:
    """Arithmetic: C(13, 2) = 78, 156 with direction, 91 with the pure species."""
    pairs = list(combinations(range(13), 2))
    assert (len(pairs), 2 * len(pairs), len(pairs) + 13) == (78, 156, 91)
