"""The detector: what stands out in a stream, lot by lot, within a budget of false alerts."""

from __future__ import annotations

from spc.detection.detector import DetectorState, detect, detect_all, detect_new
from spc.detection.pooled_autocorrelation import NO_POOL, PooledAutocorrelation, lag_sums, pool
from spc.detection.windows import LotSeries

__all__ = [
    "NO_POOL",
    "DetectorState",
    "LotSeries",
    "PooledAutocorrelation",
    "detect",
    "detect_all",
    "detect_new",
    "lag_sums",
    "pool",
]
