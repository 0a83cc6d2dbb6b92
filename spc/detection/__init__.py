"""The detector: what stands out in a stream, lot by lot, within a budget of false alerts."""

from __future__ import annotations

from spc.detection.watching import Watch, watch

__all__ = ["Watch", "watch"]
