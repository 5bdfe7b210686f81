"""The few constants that surveys give: shipped with spread and source, or fitted on one's own."""

from __future__ import annotations

import csv
import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from poolbuilder.errors import SettingsError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NODES = 16


@functools.cache
def beta_nodes(a: float, b: float) -> tuple[Floats, Floats]:
    """Nodes and weights of Gauss-Jacobi quadrature against Beta(a, b), (16,) each.

    By the eigenvalues of the Jacobi matrix (Golub & Welsch 1969, Mathematics of Computation 23:221-230; from
    memory); exact for polynomials of degree 31.
    """
    alpha, beta = b - 1, a - 1
    k = np.arange(NODES)
    total = 2 * k + alpha + beta
    with np.errstate(invalid="ignore", divide="ignore"):
        diagonal = (beta**2 - alpha**2) / (total * (total + 2))
    if total[0] == 0 or not np.isfinite(diagonal[0]):
        diagonal[0] = (beta - alpha) / (alpha + beta + 2)
    diagonal[0] = (beta - alpha) / (alpha + beta + 2)
    j = np.arange(1, NODES)
    t = 2 * j + alpha + beta
    squared = 4 * j * (j + alpha) * (j + beta) * (j + alpha + beta)
    with np.errstate(invalid="ignore", divide="ignore"):
        squared = squared / (t**2 * (t + 1) * (t - 1))
    squared[0] = 4 * (1 + alpha) * (1 + beta) / ((2 + alpha + beta) ** 2 * (3 + alpha + beta))
    matrix = np.diag(diagonal) + np.diag(np.sqrt(squared), 1) + np.diag(np.sqrt(squared), -1)
    values, vectors = np.linalg.eigh(matrix)
    weight = vectors[0] ** 2
    return (values + 1) / 2, weight / weight.sum()


@dataclass(frozen=True, kw_only=True)
class Constants:
    """What surveys give.

    Attributes
    ----------
    agreement : mapping
        How far complete lists 0-10 km apart agree, by water type: ``still``, ``running``.
    shift, shift_spread : mapping, float
        Log-odds of a lake or pond minus those of a stream or river, by species; the rest 0.  Their spread.
    met_a, met_b : float
        Beta distribution, over sites and species, of the chance that one complete list names a candidate
        that its site was ever found to hold, strays among them.
    detection_a, detection_b : float
        The same for a species that lives in the water.
    mistake : float
        Chance that a list names a species that does not live there.
    turnover : mapping
        Rate a year at which what is known of a water passes into what is usual around it, by species;
        ``""`` for the others.
    penalty : float
        Precision of the effects of co-occurring species.
    errors : mapping
        Standard error of the logarithm of a value, at most 1, by constant and what it is of.
    rows : sequence of mapping
        The table: constant, of, value, spread, source.
    """

    agreement: Mapping[str, float]
    shift: Mapping[str, float]
    shift_spread: float
    met_a: float
    met_b: float
    detection_a: float
    detection_b: float
    mistake: float
    turnover: Mapping[str, float]
    penalty: float
    errors: Mapping[tuple[str, str], float] = field(default_factory=dict, repr=False)
    rows: Sequence[Mapping[str, str]] = field(default=(), repr=False)

    def agreement_of(self, kinds: Ints) -> float:
        """Agreement to be expected of events of these water types."""
        still = float((kinds == 1).mean()) if len(kinds) else 0.0
        return still * self.agreement["still"] + (1 - still) * self.agreement["running"]

    def turnover_of(self, species: str) -> float:
        """Turnover a year of a species."""
        return self.turnover.get(species, self.turnover[""])

    def error_of(self, constant: str, of: str = "") -> float:
        """Standard error of the logarithm of a constant; that of the others where *of* has no row."""
        return self.errors.get((constant, of), self.errors.get((constant, ""), 0.0))

    @classmethod
    @functools.cache
    def shipped(cls) -> Constants:
        """The constants that come with the package, ``constants.csv``."""
        text = resources.files("poolbuilder.model").joinpath("constants.csv").read_text(encoding="utf-8")
        return cls.parse(text)

    @classmethod
    def read(cls, path: Path) -> Constants:
        """The constants of a table, as ``calibrate`` writes it.

        Raises
        ------
        SettingsError
            When it cannot be read or lacks a constant.
        """
        try:
            return cls.parse(path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError.of("cannot_read_table", path=path, error=error) from None
        except (ValueError, KeyError) as error:
            raise SettingsError.of("table_calibrate_wrote", path=path, error=error) from None

    @classmethod
    def parse(cls, text: str) -> Constants:
        """Read the table: constant, of, value, spread, source, made by."""
        rows = list(csv.DictReader(text.splitlines()))
        needed = {"agreement", "metA", "metB", "detectionA", "detectionB", "mistake", "turnover", "penalty"}
        missing = sorted(needed - {row.get("constant", "") for row in rows})
        if missing:
            raise SettingsError.of("constants_no_row", missing=missing)

        def by(name: str) -> dict[str, float]:
            return {row["of"]: float(row["value"]) for row in rows if row["constant"] == name}

        one = {row["constant"]: float(row["value"]) for row in rows if not row["of"]}
        spread = [float(row["spread"]) for row in rows if row["constant"] == "lakeShift"]
        return cls(
            agreement=by("agreement"),
            shift=by("lakeShift"),
            shift_spread=float(np.mean(spread)) if spread else 0.8,
            met_a=one["metA"],
            met_b=one["metB"],
            detection_a=one["detectionA"],
            detection_b=one["detectionB"],
            mistake=one["mistake"],
            turnover=by("turnover"),
            penalty=one["penalty"],
            errors={
                (row["constant"], row["of"]): min(1.0, float(row["spread"]) / float(row["value"]))
                for row in rows
                if float(row["value"]) > 0
            },
            rows=tuple(rows),
        )
