"""How likely readings are, given what a cause predicts: Gaussian, with what a healthy unit and bench do of themselves.

Residuals r of N visits have the covariance s^2 D + Z Z'. D holds the variance of each visit's mean, Z one column for
each ordinary imperfection (zero, span, bow, hysteresis within tolerance), so that no cause is called for what a good
unit does. The scale s of the scatter is not trusted to the digit; it is summed over, with a prior. Everything is
brought to the few columns of Z by the matrix inversion lemma, so that thousands of candidates are weighed at once.
"""

from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.model.priors import PRIORS

__all__ = ["Likelihood", "Weighed", "logsumexp"]

_SCALES = np.geomspace(0.2, 60.0, 30)
_TINY = 1e-300


def logsumexp(terms: FloatArray, axis: int = -1) -> FloatArray:
    """Log of the sum of exponentials along an axis."""
    top = np.max(terms, axis=axis, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    return np.asarray(np.log(np.sum(np.exp(terms - top), axis=axis)) + np.squeeze(top, axis=axis))


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """Log likelihoods of candidates, and the scale of the scatter that each leaves; shape (candidates,)."""

    log_likelihood: FloatArray
    scale: FloatArray


class Likelihood:
    """Of residuals at N visits.

    Args:
        noise: standard deviation of each visit's mean, above 0; shape (visits,).
        columns: ordinary imperfections, one standard deviation each; shape (visits, columns).
        most: largest scatter of a visit's mean that is ordinary, same unit as `noise`.
        width: how far, as log, the scatter may lie from what is expected (one standard deviation).
        beyond: log probability of a scatter beyond `most`.
    """

    def __init__(
        self,
        noise: FloatArray,
        columns: FloatArray,
        *,
        most: float = np.inf,
        width: float = PRIORS.scatter.log_width,
        beyond: float = -np.inf,
    ) -> None:
        self.noise, self.columns, self._most, self._width, self._beyond = noise, columns, most, width, beyond
        self._noise = noise
        white = columns / noise[:, np.newaxis]
        eigenvalues, vectors = np.linalg.eigh(white.T @ white)
        eigenvalues = np.maximum(eigenvalues, 0.0)  # rounding makes some of them negative
        self._project = white @ vectors
        self.usual = float(np.median(noise))
        is_ordinary = _SCALES * self.usual <= max(most, PRIORS.scatter.slack * self.usual)
        prior = -0.5 * (np.log(_SCALES) / width) ** 2
        prior = np.where(
            is_ordinary, prior - logsumexp(prior[is_ordinary]), beyond - np.log(max((~is_ordinary).sum(), 1))
        )
        is_possible = np.isfinite(prior)
        self._scales, self._log_prior = _SCALES[is_possible], prior[is_possible]
        squares = self._scales[:, np.newaxis] ** 2
        self._denominator = squares + eigenvalues
        # A symmetric root of C^-1 by the columns of P, which are orthogonal.
        norms = np.maximum((self._project**2).sum(axis=0), _TINY)
        self._shrink = (1 - np.sqrt(np.maximum(0.0, 1 - norms / self._denominator))) / norms
        self._constant = (
            -noise.size * np.log(self._scales)
            - 0.5 * np.log1p(eigenvalues / squares).sum(axis=1)
            - np.log(noise).sum()
            - 0.5 * noise.size * np.log(2 * np.pi)
        )

    def amplified(self, gain: FloatArray, blur: FloatArray, behind: FloatArray) -> "Likelihood":
        """The same where something after it amplifies, or holds, what the unit does of itself.

        Args:
            gain: by how much, at each visit; 0 = held.
            blur: standard deviation that comes on top, where the gain has no meaning.
            behind: what comes after it in common to visits, one standard deviation each; shape (visits, ways).
        """
        noise = np.hypot(self.noise * np.maximum(gain, 1.0), blur)
        most = self._most * float(np.median(noise)) / self.usual
        columns = np.concatenate((self.columns * gain[:, np.newaxis], behind), axis=1)
        return Likelihood(noise, columns, most=most, width=self._width, beyond=self._beyond)

    def loosened(self, beyond: float) -> "Likelihood":
        """The same where the scatter may be more than is ordinary, with this log probability."""
        return Likelihood(self.noise, self.columns, most=self._most, width=self._width, beyond=beyond)

    def freed(self, columns: FloatArray) -> "Likelihood":
        """The same where something else, so large (one standard deviation), may stand beside what is weighed.

        Args:
            columns: what it does at each visit; shape (visits, ways).
        """
        both = np.concatenate((self.columns, columns), axis=1)
        return Likelihood(self.noise, both, most=self._most, width=self._width, beyond=self._beyond)

    def inexact(self, size: float, shape: FloatArray, *, by_visit: float) -> "Likelihood":
        """The same where what a cause does is known only in the main.

        Args:
            size: standard deviation of what it may be off.
            shape: in which ways, one standard deviation each; shape (visits, ways).
            by_visit: how much of that differs from visit to visit, as a share of it.
        """
        columns = np.concatenate((self.columns, size * shape), axis=1)
        noise = np.hypot(self.noise, by_visit * size)
        return Likelihood(noise, columns, most=self._most, width=self._width, beyond=self._beyond)

    def weigh(self, residual: FloatArray) -> Weighed:
        """Log likelihood of residuals; shape (candidates, visits) or (visits,)."""
        white = np.atleast_2d(residual) / self._noise
        along = white @ self._project
        total = np.einsum("gv,gv->g", white, white)
        squares = self._scales**2
        quad = (total[:, np.newaxis] - (along**2) @ (1 / self._denominator.T)) / squares
        terms = self._constant + self._log_prior - 0.5 * quad
        index = terms.argmax(axis=1)
        top = terms[np.arange(index.size), index]
        total = top + np.log(np.exp(terms - top[:, np.newaxis]).sum(axis=1))
        return Weighed(log_likelihood=total, scale=self._scales[index])

    def whitened(self, rows: FloatArray, scale: float) -> FloatArray:
        """Rows W such that W W' is rows C^-1 rows' at a scale; shape (rows, visits + columns)."""
        white = np.atleast_2d(rows) / self._noise
        along = white @ self._project
        index = int(np.argmin(np.abs(self._scales - scale)))
        return np.asarray((white - (along * self._shrink[index]) @ self._project.T) / scale)
