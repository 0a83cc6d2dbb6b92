"""The two kinds of store that a test can have its lab in."""

from __future__ import annotations

import pytest

__all__ = ["on_both_stores"]

# Above a test that takes `bench`; a whole module says `BOTH_STORES = True` instead.
on_both_stores = pytest.mark.parametrize("bench", ["file", "server"], indirect=True)
