"""The detector: what stands out in a stream, lot by lot, within a budget of false alerts."""

from __future__ import annotations

from spc.detection.detector import Watch, newest, watch, watch_all
from spc.detection.pooled_autocorrelation import ALONE, Sisters, neighbours, pooled
from spc.detection.windows import Stream

__all__ = ["ALONE", "Sisters", "Stream", "Watch", "neighbours", "newest", "pooled", "watch", "watch_all"]
