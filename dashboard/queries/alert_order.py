"""The one order in which lists of alerts are read."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

from spc.vocabulary.enums import AlertState, Grade

__all__ = ["GRADES", "urgent_first"]

GRADES = tuple(Grade)
"""The grades, the most urgent first."""

Alert = TypeVar("Alert", bound=Mapping[str, Any])


def urgent_first(alerts: Iterable[Alert]) -> list[Alert]:
    """Alerts that are not closed before closed ones, each by grade, the newest first within a grade."""
    newest_first = sorted(alerts, key=lambda alert: str(alert["raised_at"]), reverse=True)
    return sorted(newest_first, key=lambda alert: (alert["state"] == AlertState.CLOSED, GRADES.index(alert["grade"])))
