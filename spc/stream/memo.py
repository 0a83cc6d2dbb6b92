"""Cache of figures that later lots leave unchanged, keyed by a digest of their inputs."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from typing import TypeVar, cast

import numpy as np

__all__ = ["Memo", "digest"]

METHOD = 2
"""Version of the formulas behind cached figures. Raise it when a figure changes for the same inputs: old entries then
no longer match."""

T = TypeVar("T")


class Memo:
    """Figures of an earlier evaluation by key; `used` holds those that this evaluation requested.

    Examples
    --------
    >>> memo = Memo({"mean a": 2.0})
    >>> memo.figure("mean a", lambda: 3.0), memo.figure("mean b", lambda: 4.0), memo.used
    (2.0, 4.0, {'mean a': 2.0, 'mean b': 4.0})
    """

    def __init__(self, earlier: Mapping[str, object]) -> None:
        self._earlier = earlier
        self.used: dict[str, object] = {}

    def figure(self, key: str, compute: Callable[[], T]) -> T:
        """Return the cached figure for `key`, computing it if missing."""
        if key not in self.used:
            self.used[key] = self._earlier[key] if key in self._earlier else compute()
        return cast("T", self.used[key])


def digest(figure: str, *inputs: object) -> str:
    """Cache key: the name of a figure and a hash of everything it is computed from.

    Parameters
    ----------
    figure : str
        One word, such as "components"; the key starts with it.
    *inputs : ndarray, float, str, bool or None
        All inputs of the figure; a change in any bit of them changes the key.

    Returns
    -------
    str

    Examples
    --------
    >>> key = digest("mean", np.array([1.0, 2.0]))
    >>> key.split()[0], key == digest("mean", np.array([1.0, 2.0])), key == digest("mean", np.array([[1.0, 2.0]]))
    ('mean', True, False)
    """
    hashed = hashlib.sha256(f"{METHOD} {figure}".encode())
    for value in inputs:
        if isinstance(value, np.ndarray):
            hashed.update(f"{value.shape}".encode())
            hashed.update(np.ascontiguousarray(value, dtype=np.float64).tobytes())
        else:
            # The shortest text of a float identifies its bits.
            hashed.update(f"{value!r};".encode())
    return f"{figure} {hashed.hexdigest()[:32]}"
