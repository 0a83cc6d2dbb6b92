"""The detector: what stands out in a stream, lot by lot, within a budget of false alerts."""

from __future__ import annotations

from spc.detection.detector import Watch, newest, watch, watch_all
from spc.detection.pooled_autocorrelation import NO_POOL, PooledAutocorrelation, lag_sums, pool
from spc.detection.windows import Stream

__all__ = ["NO_POOL", "PooledAutocorrelation", "Stream", "Watch", "lag_sums", "newest", "pool", "watch", "watch_all"]
