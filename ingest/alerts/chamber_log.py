"""The log of a chamber beside a shared shift of that chamber: whether both show the same departure of humidity.

The comparison stands in the evidence and the sentence of the bench alert. It changes no finding, no attribution and no
verdict: the log of the sensor that controls a chamber shows nothing where that sensor has moved.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from sqlalchemy import Connection

from ingest.alerts.shared_shift_points import points_of
from ingest.common.instants import DAY_US, HOUR_US, weeks_to_us
from ingest.config.lab import Lab
from ingest.documents.alert import LogDeparture
from ingest.evaluation.humidity_effect import slope_before
from ingest.store.store import get_meta, put_meta
from spc.shared_shift.chamber_log import compare_log, span_changes, spans_like
from spc.shared_shift.finding import SETTLE_WEEKS, Finding

__all__ = ["ChamberLog", "compare_logs"]

QUARTER_WEEKS, QUARTER_DAYS = 13, 91
# How far back the log is looked through for departures like this one.
LOG_WEEKS = 104
# Smallest standard error of a departure in the log, in % RH: what a logger resolves (common practice).
LEAST_SE = 0.1
# Change of resistance per 1 % RH in natural logarithms with its standard deviation, where lots of the product do not show
# it: films with an antistatic additive conduct by water, those with a metal or carbon layer do not (from memory).
SLOPE_OF_ADDITIVE, SLOPE_OF_LAYER = (-0.09, 0.05), (0.0, 0.01)
LAYERS = ("metal", "carbon", "foil", "barrier")
KEPT = "chamber_logs"


@dataclass(frozen=True, slots=True)
class ChamberLog:
    """Result of the comparison, and the departures behind it."""

    log: Literal["agrees", "silent", "contradicts"]
    departure: LogDeparture


def compare_logs(
    connection: Connection, lab: Lab, findings: dict[str, Finding], changed_us: int | None
) -> dict[str, ChamberLog]:
    """Compare each shift of a chamber with the log of that chamber, by alert.

    `changed_us` is the first moment at which a point is new or changed; None where there is no such point. A comparison is made once, and
    again only where its finding, its log or its lots changed.
    """
    kept = json.loads(get_meta(connection, KEPT) or "{}")
    now = {}
    for alert, finding in findings.items():
        if "chamber" not in finding.suspect_kind:
            continue
        span = _Span.of(finding)
        digest = _digest(connection, lab, finding, span)
        if (
            alert in kept
            and kept[alert]["digest"] == digest
            and (changed_us is None or changed_us >= weeks_to_us(span.stop))
        ):
            now[alert] = kept[alert]
            continue
        comparison = _compare(connection, lab, finding, span)
        now[alert] = {
            "digest": digest,
            "log": comparison and comparison.log,
            "departure": comparison and comparison.departure,
        }
    put_meta(connection, KEPT, json.dumps(now))
    return {alert: ChamberLog(one["log"], one["departure"]) for alert, one in now.items() if one["log"]}


@dataclass(frozen=True, slots=True)
class _Span:
    """Weeks: the tests that a shift reached, up to the last that is compared, and those before it."""

    before: float
    since: float
    stop: float

    @classmethod
    def of(cls, finding: Finding) -> _Span:
        # What later lots show does not change what stands in the alert.
        stop = min(finding.until, finding.completed_at + SETTLE_WEEKS, finding.since + QUARTER_WEEKS)
        return cls(finding.since - QUARTER_WEEKS, finding.since, stop)


def _digest(connection: Connection, lab: Lab, finding: Finding, span: _Span) -> str:
    entries = connection.exec_driver_sql(
        "SELECT count(*), sum(c.humidity_percent) FROM climate c JOIN label l ON l.id = c.chamber_id WHERE l.text = ? "
        "AND c.logged_us >= ? AND c.logged_us < ?",
        (_log_name(lab, finding), weeks_to_us(span.since - LOG_WEEKS), weeks_to_us(span.stop)),
    ).one()
    return hashlib.sha256(repr((finding, lab.chamber(finding.suspect), *entries)).encode()).hexdigest()[:16]


def _log_name(lab: Lab, finding: Finding) -> str:
    """The log that is compared: that of the second sensor where one is declared."""
    return lab.chamber(finding.suspect).second or finding.suspect


def _compare(connection: Connection, lab: Lab, finding: Finding, span: _Span) -> ChamberLog | None:
    streams = _streams(connection, lab, finding, span)
    hours = max(one.hours for one in lab.conditioning.values())
    # The first lot that the shift reached was conditioned in the hours before its test.
    first = int((weeks_to_us(span.since) - hours * HOUR_US) // DAY_US)
    daily = _daily(connection, _log_name(lab, finding), weeks_to_us(span.since - LOG_WEEKS), weeks_to_us(span.stop))
    if streams.empty or not daily or first <= min(daily) or first > max(daily):
        return None
    start, end = min(daily), max(daily)
    values = np.array([daily.get(day, np.nan) for day in range(start, end + 1)])
    days, before = end + 1 - first, values[: first - start]
    tested = _days_of_tests(connection, finding, span, hours)
    during = [daily[day] for day in sorted(tested & daily.keys()) if day >= first] or values[first - start :]
    logged = float(np.nanmean(during) - np.nanmean(before[-QUARTER_DAYS:]))
    changes = span_changes(before, days, QUARTER_DAYS)
    scatter = 1.4826 * float(np.median(np.abs(changes - np.median(changes)))) if changes.size else 0.0
    shift, error, slope, slope_sd, product = streams.to_numpy().T
    comparison = compare_log(shift, error, slope, slope_sd, product, logged, max(scatter, LEAST_SE))
    like, spans = spans_like(before, days, QUARTER_DAYS, logged)
    return ChamberLog(
        comparison.log,
        {
            "fitted": comparison.fitted,
            "fitted_se": comparison.fitted_se,
            "logged": comparison.logged,
            "logged_se": comparison.logged_se,
            "like": like,
            "spans": spans,
            "days": days,
            "sensor": "second" if lab.chamber(finding.suspect).second else "control",
        },
    )


def _days_of_tests(connection: Connection, finding: Finding, span: _Span, hours: float) -> set[int]:
    """The days on which the valid tests of the chamber were conditioned: no other day can have moved them."""
    tests = connection.exec_driver_sql(
        "SELECT DISTINCT s.started_us FROM session s JOIN label c ON c.id = s.chamber_id WHERE c.text = ? "
        "AND s.conditioning = 'valid' AND s.started_us >= ? AND s.started_us < ?",
        (finding.suspect, weeks_to_us(span.since), weeks_to_us(span.stop)),
    ).scalars()
    return {day for test in tests for day in range(int((test - hours * HOUR_US) // DAY_US), int(test // DAY_US) + 1)}


def _daily(connection: Connection, name: str, first_us: int, stop_us: int) -> dict[int, float]:
    """Mean humidity of a log by day."""
    rows = connection.exec_driver_sql(
        f"SELECT c.logged_us / {DAY_US} AS day, avg(c.humidity_percent) FROM climate c JOIN label l ON l.id = c.chamber_id "
        "WHERE l.text = ? AND c.logged_us >= ? AND c.logged_us < ? GROUP BY 1",
        (name, first_us, stop_us),
    )
    return {int(day): float(mean) for day, mean in rows}


def _streams(connection: Connection, lab: Lab, finding: Finding, span: _Span) -> pd.DataFrame:
    """Return the shift and the humidity slope of each resistance stream in the chamber, with standard errors."""
    points = points_of(connection, lab, finding.explained)
    points = points[(points["quantity"] == "resistance") & ~points["is_check_standard"].astype(bool)]
    points = points[(points["weeks"] >= span.before) & (points["weeks"] < span.stop)]
    rows = []
    for number, ((product, characteristic), of_product) in enumerate(points.groupby(["product", "characteristic"])):
        slope, slope_sd = _slope(connection, lab, str(product), str(characteristic), weeks_to_us(finding.since_low))
        for _, of_stream in of_product.groupby("stream"):
            reached = of_stream[(of_stream["weeks"] >= span.since) & (of_stream["chamber"] == finding.suspect)]
            earlier = of_stream[of_stream["weeks"] < finding.since_low]
            if len(reached) and len(earlier):
                sigma = float(reached["sigma"].iloc[0])
                shift = sigma * float(reached["z"].mean() - earlier["z"].mean())
                rows.append((shift, sigma * np.sqrt(1 / len(reached) + 1 / len(earlier)), slope, slope_sd, number))
    return pd.DataFrame(rows, columns=["shift", "error", "slope", "slope_sd", "product"], dtype=np.float64)


def _slope(connection: Connection, lab: Lab, product: str, characteristic: str, before_us: int) -> tuple[float, float]:
    """Effect of humidity on a product by its lots before the shift, with the prior of its class."""
    declared = lab.product(product)
    layered = declared is not None and any(word in declared.class_.casefold() for word in LAYERS)
    slope, sd = SLOPE_OF_LAYER if layered else SLOPE_OF_ADDITIVE
    shown = slope_before(connection, product, characteristic, before_us)
    if shown is None or shown.se <= 0:
        return slope, sd
    weight, prior = shown.se**-2, sd**-2
    return (weight * shown.slope + prior * slope) / (weight + prior), float((weight + prior) ** -0.5)
