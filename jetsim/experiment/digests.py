"""Digests of values: what tells whether the rows of a design were moved or changed since."""

import hashlib
from collections.abc import Iterable
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

# SHA-256, which most processors have in hardware, so that a run costs more than its digest.
_DIGITS = 32
_FEW_TEXTS = 20


def digest(values: ArrayLike) -> str:
    """Digest of an array of numbers or texts, the same on every machine with the same bytes of values."""
    array = np.asarray(values)
    if array.dtype.kind in "OUST":
        data: Any = "\0".join(_texts(array.ravel())).encode()
    else:
        data = np.ascontiguousarray(array, dtype="<f8").ravel().data
    return hashlib.sha256(data).hexdigest()[:_DIGITS]


def _texts(array: NDArray[Any]) -> Iterable[str]:
    """The items as texts, without making each anew where an array of texts holds only a few different ones."""
    if array.dtype.kind != "U" or array.size == 0:
        return map(str, array.tolist())
    which, found = np.full(array.size, -1, dtype=np.int8), list[str]()
    while which[at := int(which.argmin())] < 0:
        if len(found) == _FEW_TEXTS:
            return map(str, array.tolist())
        which[array == array[at]] = len(found)
        found.append(str(array[at]))
    return map(found.__getitem__, which.tolist())


def fingerprint(samples: xr.Dataset, names: Iterable[str]) -> str:
    """Digest of the named variables, in order."""
    joined = "".join(f"{name}:{digest(samples[name].values)};" for name in names)
    return hashlib.sha256(joined.encode()).hexdigest()[:_DIGITS]
