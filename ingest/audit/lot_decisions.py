"""What a person may decide on a lot, as the audit log keeps it."""

from __future__ import annotations

__all__ = ["HOLD", "LOT_DECISIONS", "RETURN"]

HOLD, RETURN = "hold", "return"
LOT_DECISIONS = (HOLD, "release", RETURN, "use as is")
