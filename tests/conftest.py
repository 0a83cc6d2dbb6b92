"""Fixtures that several test files share."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from labs import Bench


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """An empty lab."""
    from labs import Bench

    return Bench(tmp_path)
