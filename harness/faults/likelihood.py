"""How well a suspect's prediction meets what was measured, all errors counted with what they share.

A residual's covariance is noise and a small error of the model itself (diagonal), the measurement's shared
errors and the spread of parts under the suspect. One phase per acquisition and tone, of the instant at which
it began, is unknown: residuals are projected off that direction. The diagonal scales residuals to one; shared
errors and spreads are a few columns, and enter by the identities of Woodbury and Sylvester:
r'(I + G'G)⁻¹r = r'r - (Gr)'(I + GG')⁻¹(Gr), |I + G'G| = |I + GG'|.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.faults.observed import Evidence
from harness.measure.errors import stray_standard

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]

ROBUST_RELATIVE, ROBUST_ABSOLUTE = 0.02, 3e-3  # where a leg is "about as predicted"


@dataclass(frozen=True, kw_only=True)
class Fit:
    """How one suspect fits: logarithm of its likelihood, and the chi-squared of its residuals alone."""

    log_likelihood: float
    chi_squared: float


class Yardstick:
    """Measures residuals of one run. Vectors are complex, over the entries that count, cell by cell.

    A cell is one column of one acquisition: the entries that share an unknown phase.
    """

    def __init__(self, evidence: Evidence) -> None:
        self._there = np.repeat(evidence.there[:, None, :], 2, axis=1)
        self.measured = self.entries(evidence.values)
        cell = np.broadcast_to(np.arange(self._there.shape[0] * 2).reshape(-1, 2, 1), self._there.shape)[
            self._there
        ]
        self.acquisition = cell // 2  # of each entry, its place among the evidence's
        self._first = np.flatnonzero(np.diff(cell, prepend=-1))
        self._cell = np.cumsum(np.diff(cell, prepend=-1) > 0) - 1
        size = np.abs(self.measured)
        noise = self.entries(evidence.noise.astype(complex)).real
        self._variance = noise**2 + stray_standard(self.measured) ** 2
        self._robust = self._variance + (ROBUST_RELATIVE * size + ROBUST_ABSOLUTE) ** 2
        self._unphased = 1j * self.measured / np.sqrt(self._variance)
        power = np.abs(self._unphased) ** 2
        self._power = np.add.reduceat(power, self._first) if len(self._first) else np.zeros(0)
        self.shared = self.white(self.entries(evidence.shared))

    @property
    def cells(self) -> int:
        """How many unknown phases there are."""
        return len(self._first)

    @property
    def degrees(self) -> int:
        """Degrees of freedom of the residuals."""
        return max(1, 2 * len(self.measured) - self.cells)

    def entries(self, values: Complex) -> Complex:
        """From (…, acquisitions, legs, 2) to (…, entries)."""
        return np.asarray(np.swapaxes(values, -1, -2)[..., self._there])

    def turns(self, predicted: Complex) -> Complex:
        """Factors of modulus 1 that turn predictions, (…, entries), onto the measured phases."""
        agree = (
            np.add.reduceat(predicted.conj() * self.measured / self._variance, self._first, axis=-1)
            if len(self._first)
            else np.ones((*predicted.shape[:-1], 0), dtype=complex)
        )
        size = np.abs(agree)
        turn = np.where(size > 0, agree / np.where(size > 0, size, 1), 1)
        return np.asarray(turn[..., self._cell])

    def distances(self, predicted: Complex, leader: Complex) -> Floats:
        """Squared distance of predictions from a leader's, (entries,), by noise alone; phases matched."""
        turned = predicted * self.turns(predicted)
        return np.asarray((np.abs(turned - leader) ** 2 / self._variance).sum(axis=-1))

    def white(self, values: Complex) -> Floats:
        """Scale a residual to noise of one, without its unknown phases: (…, entries) to (…, 2·entries)."""
        scaled = values / np.sqrt(self._variance)
        if len(self._first):
            along = np.add.reduceat((self._unphased.conj() * scaled).real, self._first, axis=-1)
            scaled = scaled - (along / self._power)[..., self._cell] * self._unphased
        return np.asarray(np.concatenate([scaled.real, scaled.imag], axis=-1))

    def by_acquisition(self, turned: Complex) -> Floats:
        """The robust misfit of one turned prediction in each acquisition."""
        share = np.log1p(np.abs(self.measured - turned) ** 2 / self._robust)
        return self._summed(share)

    def apart(self, one: Complex, other: Complex) -> Floats:
        """Squared distance of two turned predictions in each acquisition, by noise alone."""
        return self._summed(np.abs(one - other) ** 2 / self._variance)

    def _summed(self, entries: Floats) -> Floats:
        """Sums of one unit's entries in each acquisition; 0 where none counts."""
        return np.bincount(self.acquisition, weights=entries, minlength=len(self._there)).astype(np.float64)

    def misfit(self, turned: Complex) -> Floats:
        """Robust misfit of turned predictions in each cell, (…, cells): a gross error counts by its log."""
        share = np.log1p(np.abs(self.measured - turned) ** 2 / self._robust)
        if not len(self._first):
            return np.zeros((*turned.shape[:-1], 0))
        return np.asarray(np.add.reduceat(share, self._first, axis=-1))


class Spread:
    """Errors that entries share, and parts' spread under one suspect: (sources, 2·entries), white."""

    def __init__(self, white: Floats) -> None:
        keep = np.einsum("pe,pe->p", white, white) > 1e-6
        self._white = white[keep]
        gram = self._white @ self._white.T
        gram[np.arange(len(gram)), np.arange(len(gram))] += 1
        self._root = np.linalg.inv(np.linalg.cholesky(gram)) if len(gram) else gram
        self.log_determinant = float(-2 * np.log(np.diagonal(self._root)).sum()) if len(gram) else 0.0

    def shadow(self, white: Floats) -> Floats:
        """What of whitened residuals, (…, 2·entries), the parts' spread can take up."""
        return np.asarray(white @ self._white.T @ self._root.T)

    def squared(self, white: Floats) -> Floats:
        """Squared Mahalanobis length of whitened residuals."""
        shadow = self.shadow(white)
        return np.asarray((white**2).sum(axis=-1) - (shadow**2).sum(axis=-1))

    def product(self, one: Floats, other: Floats) -> float:
        """Inner product of two whitened residuals under this spread."""
        return float(one @ other - self.shadow(one) @ self.shadow(other))

    def fit(self, white: Floats) -> Fit:
        """How well a residual agrees with noise and spread."""
        chi_squared = float(self.squared(white))
        return Fit(log_likelihood=-0.5 * (chi_squared + self.log_determinant), chi_squared=chi_squared)
