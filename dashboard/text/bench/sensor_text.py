"""A humidity sensor in words: its checks, its second sensor, and the time in which it is not known to be right."""

from __future__ import annotations

from dashboard.text.formatting import day
from ingest.documents.bench.sensor import Sensor

__all__ = ["sensor_line"]

STATES = {"checked": "passed its last check", "unchecked": "not checked", "failed": "failed its last check"}


def sensor_line(one: Sensor) -> str:
    """State, uncertainty, second sensor and doubtful time in one or two sentences."""
    parts = [f"Humidity sensor {one['name']} {STATES[one['state']]}"]
    if one["checks"]:
        last = one["checks"][0]
        against = last["salt"] or "its reference"
        parts.append(
            f"{last['reads']:g} % over {against}, expected {last['reference']:g} ± {last['uncertainty']:g} %, on {day(last['at'])}"
        )
        if last["outcome"] == "open":
            parts.append("declare sensor_uncertainty so that a check can be decided")
    if one["surely_low"] is not None and one["surely_high"] is not None:
        counts = "counts" if one["counts"] else "does not count"
        parts.append(
            f"uncertainty ± {one['uncertainty']:g} %: surely inside from {one['surely_low']:g} to {one['surely_high']:g} % ({counts} in the tolerance)"
        )
    elif one["uncertainty"] is not None:
        parts.append(f"uncertainty ± {one['uncertainty']:g} %: no reading shows that the chamber is inside")
    if one["second"] is not None:
        second = one["second"]
        judged = (
            ""
            if second["apart"] is None
            else "; apart by more than both uncertainties allow"
            if second["apart"]
            else "; they agree"
        )
        more = "more" if second["difference"] >= 0 else "less"
        parts.append(
            f"{second['name']} reads {abs(second['difference']):.1f} % {more} over {second['days']} days{judged}"
        )
    text = "; ".join(parts)
    if one["state"] == "failed":
        since = (
            "No good check came before"
            if one["doubtful_from"] is None
            else f"Last good check {day(one['doubtful_from'])}"
        )
        text += f". {since}: tests since then are marked"
    return f"{text}."
