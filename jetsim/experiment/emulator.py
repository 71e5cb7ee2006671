"""A fast stand-in for a model: a polynomial in a few coordinates, with its error measured on runs it never saw."""

from dataclasses import dataclass
from functools import cache
from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray

from jetsim.errors import InputError

Array = NDArray[np.float64]


def features(points: Array) -> Array:
    """All products of up to three coordinates: the constant, linear, quadratic and cubic terms.

    Parameters
    ----------
    points : ndarray, shape (n, k)

    Returns
    -------
    ndarray, shape (n, (k + 1) (k + 2) (k + 3) / 6)
    """
    padded = np.concatenate([np.ones((len(points), 1)), points], axis=1)
    first, second, third = _products(padded.shape[1])
    return np.asarray(padded[:, first] * padded[:, second] * padded[:, third])


@cache
def _products(size: int) -> Array:
    """Positions of the three factors of each product, shape (3, terms)."""
    return np.array(list(combinations_with_replacement(range(size), 3))).T


@dataclass(frozen=True, eq=False)
class Emulator:
    """A fitted polynomial for many responses at once.

    Attributes
    ----------
    centre, scale : ndarray, shape (k,)
        Of the coordinates.
    coefficients : ndarray, shape (features, responses)
    residual : ndarray, shape (runs held out, responses)
        Emulated minus exact on the runs held out, in the unit of the responses.
    """

    centre: Array
    scale: Array
    coefficients: Array
    residual: Array

    @property
    def error(self) -> float:
        """Largest root-mean-square error of a response on the runs held out."""
        return float(np.sqrt((self.residual**2).mean(axis=0)).max())

    def common_error(self, responses: slice) -> float:
        """Root-mean-square of the error that some responses share in a run: it does not average out over them."""
        return float(np.sqrt((self.residual[:, responses].mean(axis=1) ** 2).mean()))

    def __call__(self, points: Array) -> Array:
        """Responses, shape (n, responses), at points of shape (n, k)."""
        return np.asarray(features((points - self.centre) / self.scale) @ self.coefficients)


def fit_emulator(points: Array, responses: Array, held_out: int) -> Emulator:
    """Fit by least squares, and measure the error on the last `held_out` runs, which take no part in the fit.

    Parameters
    ----------
    points : ndarray, shape (n, k)
        Coordinates of the runs.
    responses : ndarray, shape (n, responses)
    held_out : int

    Raises
    ------
    InputError
        A response is not a finite number, or there are fewer runs than terms.
    """
    if not np.isfinite(responses).all():
        raise InputError("the model gives no finite result at some of the values that the priors allow: narrow them")
    centre, scale = points.mean(axis=0), np.maximum(points.std(axis=0), 1e-12)
    terms = features((points - centre) / scale)
    train = len(points) - held_out
    if train < terms.shape[1]:
        raise InputError(f"{train} runs cannot fix the {terms.shape[1]} terms of the emulator")
    coefficients, *_ = np.linalg.lstsq(terms[:train], responses[:train], rcond=None)
    residual = terms[train:] @ coefficients - responses[train:]
    return Emulator(centre, scale, np.asarray(coefficients, dtype=float), np.asarray(residual))
