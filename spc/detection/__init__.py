"""The detector: what stands out in a stream, lot by lot, within a budget of false alerts."""

from __future__ import annotations

from spc.detection.detector import DetectorState, detect, detect_all, detect_new, posteriors
from spc.detection.pooled_prior import NO_POOL, PooledPrior, lag_sums, pool
from spc.detection.stream_posterior import StreamPosterior
from spc.detection.windows import LotSeries

__all__ = [
    "NO_POOL",
    "DetectorState",
    "LotSeries",
    "PooledPrior",
    "StreamPosterior",
    "detect",
    "detect_all",
    "detect_new",
    "lag_sums",
    "pool",
    "posteriors",
]
