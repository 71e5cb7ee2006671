"""A fast stand-in for a model: a polynomial in a few coordinates, with its error measured on runs it never saw."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from jetsim.errors import InputError

Array = NDArray[np.float64]
Products = Sequence[tuple[int, ...]]


def features(points: Array, further: Products = ()) -> Array:
    """All products of up to three coordinates, the constant, linear, quadratic and cubic terms, then further ones.

    Parameters
    ----------
    points : ndarray, shape (n, k)
    further : sequence of tuple of int
        Products of more than three coordinates, by their positions: ``(0, 0, 0, 2)`` is the cube of the first one
        times the third one.

    Returns
    -------
    ndarray, shape (n, (k + 1) (k + 2) (k + 3) / 6 + len(further))
    """
    rows = np.concatenate([np.ones((1, len(points))), points.T])  # products of whole rows are quick
    pairs = np.concatenate([row * rows[k:] for k, row in enumerate(rows)])
    begins = np.cumsum([0, *range(len(rows), 1, -1)])  # of the pairs whose first factor is the k-th
    cubic = [row * pairs[begin:] for row, begin in zip(rows, begins, strict=True)]
    beyond = [reduce(np.multiply, [rows[k + 1] for k in positions])[None] for positions in further]
    return np.asarray(np.concatenate([*cubic, *beyond]).T)


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
    further : sequence of tuple of int
        As for `features`.
    """

    centre: Array
    scale: Array
    coefficients: Array
    residual: Array
    further: Products = ()

    @property
    def error(self) -> float:
        """Largest root-mean-square error of a response on the runs held out."""
        return float(np.sqrt((self.residual**2).mean(axis=0)).max())

    def common_error(self, responses: slice) -> float:
        """Root-mean-square of the error that some responses share in a run: it does not average out over them."""
        return float(np.sqrt((self.residual[:, responses].mean(axis=1) ** 2).mean()))

    def __call__(self, points: Array) -> Array:
        """Responses, shape (n, responses), at points of shape (n, k)."""
        terms = features((points - self.centre) / self.scale, self.further)
        return np.asarray((self.coefficients.T @ terms.T).T)


def fit_emulator(points: Array, responses: Array, held_out: int, further: Products = ()) -> Emulator:
    """Fit by least squares, and measure the error on the last `held_out` runs, which take no part in the fit.

    Parameters
    ----------
    points : ndarray, shape (n, k)
        Coordinates of the runs.
    responses : ndarray, shape (n, responses)
    held_out : int
    further : sequence of tuple of int
        As for `features`.

    Raises
    ------
    InputError
        A response is not a finite number, or there are fewer runs than terms.
    """
    if not np.isfinite(responses).all():
        raise InputError("the model gives no finite result at some of the values that the priors allow: narrow them")
    centre, scale = points.mean(axis=0), np.maximum(points.std(axis=0), 1e-12)
    terms = features((points - centre) / scale, further)
    train = len(points) - held_out
    if train < terms.shape[1]:
        raise InputError(f"{train} runs cannot fix the {terms.shape[1]} terms of the emulator")
    coefficients, *_ = np.linalg.lstsq(terms[:train], responses[:train], rcond=None)
    residual = terms[train:] @ coefficients - responses[train:]
    return Emulator(centre, scale, np.asarray(coefficients, dtype=float), np.asarray(residual), further)
