"""Which weeks a source on the bench was off, and what it added to each test of those weeks.

A finding says that the levels of a source shifted at a moment. The weeks that were off are usually those after it. Where the
chamber's humidity was unusual before that moment and is as usual after it, the shift is the return, and the weeks before it
were off. A calibration that adjusted the instrument ends them. Each test of the weeks that were off keeps a row for good, also after the finding is closed.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from sqlalchemy import Connection, text

from ingest.common.instants import WEEK_US, weeks_to_us
from ingest.common.units import UNITS
from ingest.config.lab import Lab
from ingest.config.models import Characteristic
from ingest.evaluation.alert_text import PLAIN_HUMIDITY
from ingest.evaluation.stored_results import number
from ingest.sessions.instrument_records import adjustments_of
from ingest.store.store import fetch_frame, get_meta, insert_many, put_meta
from spc.shared_shift.finding import Finding, names_of, size_of
from spc.shared_shift.lot_points import on_label
from spc.stream.verdicts import to_unit
from spc.vocabulary.enums import Scale

__all__ = ["WeeksOff", "update_bench_shares", "weeks_off"]

NEAR_WEEKS, YEAR_WEEKS, QUARTER_WEEKS = 4, 52, 13
FEWEST_WEEKS = 8
WEEKS_OFF = "bench_weeks_off"


@dataclass(frozen=True, slots=True)
class WeeksOff:
    """When a source was off: from a test on, up to but not including another (None while it lasts).

    `returned` says that the shift of the finding is the return to normal; its sizes then count with the opposite sign.
    `adjusted`: a calibration adjusted the instrument at `until_us`. `humidity` is the mean humidity of the weeks that were off and of those beside them, where it tells them apart.
    """

    from_us: int
    until_us: int | None
    returned: bool = False
    humidity: tuple[float, float] | None = None
    adjusted: bool = False


HUMIDITY_SQL = """
SELECT s.started_us, s.humidity_mean FROM session s JOIN label c ON c.id = s.chamber_id
WHERE c.text = :chamber AND s.humidity_mean IS NOT NULL AND s.conditioning = 'valid'
AND s.started_us >= :first AND s.started_us < :last ORDER BY s.started_us
"""


def weeks_off(connection: Connection, lab: Lab, finding: Finding) -> WeeksOff:
    """The weeks in which the source of a finding was off."""
    since = weeks_to_us(finding.since)
    until = weeks_to_us(finding.until) if np.isfinite(finding.until) else None
    after = WeeksOff(since, until)
    if finding.suspect_kind == "instrument":
        for done, deviation in adjustments_of(connection, lab, finding.suspect):
            # One that found a deviation the other way corrected something else.
            if since < done and (until is None or done < until) and deviation * finding.direction > 0:
                return WeeksOff(since, done, adjusted=True)
    resistance = finding.sizes.get("resistance")
    if "chamber" not in finding.suspect_kind or resistance is None:
        return after
    end = min(since + QUARTER_WEEKS * WEEK_US, until or since + QUARTER_WEEKS * WEEK_US)
    rows = connection.execute(
        text(HUMIDITY_SQL), {"chamber": finding.suspect, "first": since - YEAR_WEEKS * WEEK_US, "last": end}
    ).fetchall()
    moments, humidity = (np.array([row[place] for row in rows], dtype=np.float64) for place in (0, 1))
    before, during = moments < since, moments >= since
    near = before & (moments >= since - NEAR_WEEKS * WEEK_US)
    if not (near.any() and during.any()):
        return after
    # Weeks weigh alike: a busy week does not decide what is usual. The year's middle week is usual, as long as most are.
    week = np.floor((moments - since) / WEEK_US)
    weeks, place = np.unique(week, return_inverse=True)
    weekly = np.bincount(place, weights=humidity) / np.bincount(place)
    usual, was, now = float(np.median(weekly)), float(humidity[near].mean()), float(humidity[during].mean())
    explains = (was - now) * resistance.size > 0  # a film conducts better in damper air (common practice)
    if weeks.size < FEWEST_WEEKS or not explains or abs(was - usual) < max(PLAIN_HUMIDITY, 2 * abs(now - usual)):
        return after
    first = float(moments[before][-1])
    for number_of_week, mean in zip(weeks[weeks < 0][::-1], weekly[weeks < 0][::-1], strict=True):
        if abs(mean - usual) < abs(was - usual) / 2:
            break
        first = float(moments[week == number_of_week][0])
    off = humidity[(moments >= first) & before]
    return WeeksOff(int(first), since, returned=True, humidity=(float(off.mean()), now))


SESSIONS_SQL = """
SELECT s.id, s.stream_id, s.started_us, s.level, s.chamber_id, s.instrument_id, s.load_id FROM session s
WHERE s.started_us >= ? AND s.started_us < ? AND s.level IS NOT NULL ORDER BY s.id
"""
COLUMNS = {
    "session": "i8", "stream": "i8", "started_us": "i8", "level": "f8", "chamber": "i8", "instrument": "i8", "load": "i8",
}  # fmt: skip


def update_bench_shares(
    connection: Connection, lab: Lab, findings: Sequence[tuple[str, Finding]], only: set[int] | None
) -> None:
    """Write what each finding adds to the tests of its weeks; `only` these streams, None for all."""
    spans = {alert: weeks_off(connection, lab, finding) for alert, finding in findings}
    known = json.dumps([[alert, one.from_us, one.until_us, one.returned] for alert, one in spans.items()])
    # New tests of a chamber can move the weeks of a finding that itself has not changed.
    if known != get_meta(connection, WEEKS_OFF):
        only = None
        put_meta(connection, WEEKS_OFF, known)
    if only is None or not findings:
        connection.exec_driver_sql("DELETE FROM bench_share")
    else:
        insert_many(connection, "DELETE FROM bench_share WHERE stream_id = ?", [(stream,) for stream in sorted(only)])
    if not findings or only == set():
        return
    streams = {
        row[0]: (lab.characteristic(row[3]), lab.is_check_standard(row[1], row[2]))
        for row in connection.exec_driver_sql("SELECT id, supplier, product, characteristic FROM stream")
    }
    labels: dict[int, str] = {row[0]: row[1] for row in connection.exec_driver_sql("SELECT id, text FROM label")}
    parts = [_shares(connection, alert, finding, spans[alert], streams, labels, only) for alert, finding in findings]
    shares = pd.concat(parts, ignore_index=True)
    if shares.empty:
        return
    total = shares.groupby("session")["added"].transform("sum")
    rows = []
    columns = (shares[name].tolist() for name in ("session", "alert", "stream", "level", "added"))
    for session, alert, stream, level, added, together in zip(*columns, total.tolist(), strict=True):
        declared = streams[stream][0]
        is_log = Scale(declared.scale) is Scale.LOG
        size = 100.0 * float(np.expm1(added)) if is_log else float(added)
        without = float(to_unit(np.array([level - together]), declared.scale)[0])
        rows.append((session, alert, stream, size, "%" if is_log else declared.unit, number(without)))
    insert_many(
        connection,
        "INSERT INTO bench_share (session_id, alert, stream_id, size, size_unit, level_without) VALUES (?, ?, ?, ?, ?, ?)",
        rows,
    )


def _shares(
    connection: Connection,
    alert: str,
    finding: Finding,
    off: WeeksOff,
    streams: dict[int, tuple[Characteristic, bool]],
    labels: dict[int, str],
    only: set[int] | None,
) -> pd.DataFrame:
    """The tests of the weeks in which one finding's source was off, with what it added in the charted scale."""
    last = np.iinfo(np.int64).max if off.until_us is None else off.until_us
    tests = fetch_frame(connection, SESSIONS_SQL, (off.from_us, int(last)), COLUMNS)
    if only is not None:
        tests = tests[tests["stream"].isin(only)]
    quantities = {stream: _quantity(declared) for stream, (declared, _) in streams.items()}
    tests = tests.assign(
        quantity=tests["stream"].map(quantities),
        **{name: tests[name].map(labels) for name in ("chamber", "instrument", "load")},
    )
    on = on_label(tests, finding.suspect_kind, names_of(finding)[0], names_of(finding)[-1])
    tests = tests[on & tests["quantity"].isin(list(finding.sizes)).to_numpy(bool)]
    sizes = [
        size_of(finding, quantity)[streams[stream][1]]
        for quantity, stream in zip(tests["quantity"], tests["stream"].tolist(), strict=True)
    ]
    added = np.array(sizes, dtype=np.float64) * (-1.0 if off.returned else 1.0)
    return tests.assign(alert=alert, added=added)[["session", "stream", "level", "alert", "added"]]


def _quantity(declared: Characteristic) -> str:
    """The name under which a finding holds its size: the quantity, with the unit where it is charted in the unit."""
    name = UNITS[declared.unit].quantity.name
    return name if Scale(declared.scale) is Scale.LOG else f"{name}, {declared.unit}"
