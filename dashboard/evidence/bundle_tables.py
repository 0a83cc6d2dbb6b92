"""The tables of an evidence bundle, read row by row from the store, so that memory does not grow with the bundle.

No figure is computed here. Times are ISO 8601 with the offset of the lab's time zone; files are numbered as in `files.csv`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby, islice
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Row, text

from dashboard.evidence import bundle_scope
from dashboard.evidence.bundle_scope import TESTS, Scope
from dashboard.queries.stored_documents import iso
from dashboard.text.verdict.conformity_text import rule_words
from ingest.alerts.bench_marks import marks_of_sessions
from ingest.common.instants import from_microseconds
from ingest.config.lab import Lab
from ingest.config.limit_history import SIDES, Step
from ingest.documents.bench.bench_mark import BenchMark
from ingest.documents.served import served
from ingest.documents.verdict.bag_count import BagCount
from ingest.documents.verdict.conformity import StoredConformity
from ingest.evaluation.bag_counts import bag_counts_of_sessions
from ingest.evaluation.session_values import level_range, worst_bound
from ingest.intake.archive import digest_of
from ingest.parsing.rows.load_rows import EVENTS, LAID
from ingest.sessions.conditioning import reach_us
from ingest.sessions.gauge_studies import study_readings
from ingest.sessions.instrument_records import check_reach_us, checks_of
from ingest.sessions.instruments import check_row
from ingest.sessions.sensors import stored_checks
from ingest.sessions.sessions import READINGS_OF_SESSION

__all__ = ["COLUMNS", "Source", "rows_of"]

Cells = Sequence[object]

ROWS_AT_ONCE = 2_000
# What the hours of a session were counted for.
HOURS_OF = {"specimen": "load", "chamber": "chamber"}


@dataclass(frozen=True, slots=True)
class Source:
    """The data common to all tables of a bundle.

    `lab` includes the entered limits. `files` are the numbers of the source files. They are collected while the readings,
    loads, calibrations and the chamber log are written, so those tables come first.
    """

    connection: Connection
    lab: Lab
    scope: Scope
    alerts: set[str]
    files: set[int] = field(default_factory=set)

    def rows(self, sql: str, **values: object) -> Iterable[Row[Any]]:
        """The rows of a statement, fetched in portions."""
        bound = {**self.scope.values, **values}
        return self.connection.execute(text(sql), bound, execution_options={"yield_per": ROWS_AT_ONCE})

    def time(self, us: int | None) -> str | None:
        """A stored time as ISO 8601."""
        return iso(us, self.lab.zone)


COLUMNS = {
    "readings.csv": (
        "supplier", "product", "lot", "characteristic", "session_started_at", "tested_at", "specimen", "reading", "value",
        "bound", "unit", "written", "state", "replaced_at", "replaced_by_file", "chamber", "instrument", "operator", "load",
        "file_number", "file", "line", "notes",
    ),
    "sessions.csv": (
        "supplier", "product", "lot", "received_on", "made_on", "characteristic", "check_standard", "started_at", "ended_at",
        "chamber", "instrument", "instrument_state", "load", "hours_of", "loaded_at", "bags", "readings", "below", "above", "scale", "unit", "level", "level_low", "level_high", "worst", "worst_bound", "judged_by",
        "judged", "limit_lower", "limit_upper", "limit_document", "decision_rule", "accept_lower", "accept_upper",
        "reject_lower", "reject_upper", "uncertainty", "bench_part", "bench_part_from", "bench_part_df", "verdict", "conditioning", "hours", "humidity_min", "humidity_max", "humidity_mean", "excursion_at", "on_chart", "control_center", "control_lower",
        "control_upper", "stands_out", "marked", "settled", "bench_findings", "bench_percent_or_unit", "level_without_bench", "bags_outside", "bags_undecided", "worst_bag", "worst_bag_bound",
    ),
    "loads.csv": (
        "at", "load", "chamber", "event", "supplier", "product", "lot", "specimens", "laid", "planned_test", "file_number", "file", "line",
    ),
    "calibrations.csv": (
        "instrument", "done_at", "due_on", "as_found_percent", "as_left_percent", "uncertainty_percent", "certificate",
        "file_number", "file", "line",
    ),
    "instrument-checks.csv": (
        "kind", "checked", "at", "outcome", "deviation_percent", "low_percent", "high_percent", "tolerance_percent",
        "again", "reads", "reference", "uncertainty", "against", "who",
    ),
    "gauge-studies.csv": (
        "study", "characteristic", "known_from", "specimen", "sessions_by", "session", "reading", "value", "reference", "unit", "file", "line", "sha256",
    ),
    "climate.csv": ("chamber", "logged_at", "humidity_percent", "temperature_c", "file_number", "line"),
    "limits.csv": (
        "product", "characteristic", "side", "value", "unit", "rule", "judged_by", "from", "document",
        "said_in", "who", "entered_at", "reason",
    ),
    "control-limits.csv": (
        "supplier", "product", "characteristic", "unit", "lower", "center", "upper", "from", "frozen_at", "lots_counted",
        "lots", "left_out", "set_by", "dependence",
    ),
    "alerts.csv": (
        "id", "kind", "grade", "supplier", "product", "characteristic", "lot", "raised_at", "state", "explained_by", "message",
        "evidence",
    ),
    "decisions.csv": ("number", "at", "who", "what", "about", "reason", "details"),
    "files.csv": (
        "file_number", "kind", "name", "sha256", "bytes", "modified_at", "taken_in_at", "state", "reason", "stored", "duplicate",
        "corrected", "refused", "lies_in", "bytes_there",
    ),
    "refused.csv": ("file_number", "file", "line", "reason", "cells"),
}  # fmt: skip


def rows_of(name: str, source: Source) -> Iterator[Cells]:
    """The rows of one table."""
    return TABLES[name](source)


# Measurements

# A correction keeps the earlier value, in the row above the corrected one.
READINGS_SQL = f"""
SELECT t.supplier, t.product, l.lot, t.characteristic, s.started_us, r.tested_us, r.specimen, r.reading, 1 AS holds,
r.value, r.bound, r.written, CAST(NULL AS BIGINT) AS replaced_us, '' AS replaced_by, c.text AS chamber,
i.text AS instrument, o.text AS operator, a.text AS load, r.drop_id, d.name AS file, r.line, r.notes
FROM {TESTS}
JOIN reading r ON {READINGS_OF_SESSION}
JOIN "drop" d ON d.id = r.drop_id JOIN label c ON c.id = r.chamber_id JOIN label i ON i.id = r.instrument_id
JOIN label o ON o.id = r.operator_id JOIN label a ON a.id = r.load_id
WHERE {{where}}
UNION ALL
SELECT t.supplier, t.product, l.lot, t.characteristic, s.started_us, e.tested_us, e.specimen, e.reading, 0,
e.value, e.bound, e.written, e.replaced_us, n.name, '', '', '', '', e.drop_id, d.name, e.line, ''
FROM {TESTS}
JOIN reading r ON {READINGS_OF_SESSION}
JOIN earlier_value e ON e.stream_id = r.stream_id AND e.lot_id = r.lot_id AND e.tested_us = r.tested_us
AND e.specimen = r.specimen AND e.reading = r.reading
JOIN "drop" d ON d.id = e.drop_id JOIN "drop" n ON n.id = e.replaced_by_drop_id
WHERE {{where}}
ORDER BY 1, 2, 3, 4, 5, 6, 7, 8, 9, 13, 19, 21
"""


def _readings(source: Source) -> Iterator[Cells]:
    for row in source.rows(READINGS_SQL.format(where=source.scope.where)):
        source.files.add(row.drop_id)
        yield (
            row.supplier, row.product, row.lot, row.characteristic, source.time(row.started_us), source.time(row.tested_us),
            row.specimen, row.reading, row.value, row.bound, source.lab.characteristic(row.characteristic).unit, row.written,
            "holds" if row.holds else "replaced", source.time(row.replaced_us), row.replaced_by, row.chamber, row.instrument,
            row.operator, row.load, row.drop_id, row.file, row.line, row.notes,
        )  # fmt: skip


SESSIONS_SQL = f"""
SELECT s.*, t.supplier, t.product, t.characteristic, l.lot, l.received_on, l.made_on, c.text AS chamber,
i.text AS instrument, a.text AS load, p.document AS point, m.slip, m.settled, f.document AS conformity
FROM {TESTS} JOIN label c ON c.id = s.chamber_id JOIN label i ON i.id = s.instrument_id JOIN label a ON a.id = s.load_id
LEFT JOIN point p ON p.stream_id = s.stream_id AND p.session_id = s.id LEFT JOIN mark m ON m.session_id = s.id
LEFT JOIN conformity f ON f.session_id = s.id
WHERE {{where}} ORDER BY t.supplier, t.product, l.lot, t.characteristic, s.started_us
"""


def _sessions(source: Source) -> Iterator[Cells]:
    every = iter(source.rows(SESSIONS_SQL.format(where=source.scope.where)))
    while rows := list(islice(every, ROWS_AT_ONCE)):
        marks = marks_of_sessions(source.connection, source.lab, [row.id for row in rows])
        bags = bag_counts_of_sessions(source.connection, [row.id for row in rows])
        for row in rows:
            yield _session(row, marks.get(row.id, []), bags.get(row.id), source)


def _session(row: Row[Any], marks: list[BenchMark], bags: BagCount | None, source: Source) -> Cells:
    lab, time = source.lab, source.time
    declared = lab.characteristic(row.characteristic)
    limits = lab.limits_at(row.product, row.characteristic, from_microseconds(row.started_us))
    point = {} if row.point is None else json.loads(row.point)
    span = level_range(row._mapping, declared.scale)
    return (
        row.supplier, row.product, row.lot, row.received_on, row.made_on, row.characteristic,
        _yes_or_no(lab.is_check_standard(row.supplier, row.product)), time(row.started_us), time(row.ended_us), row.chamber,
        row.instrument, row.bench, row.load, HOURS_OF[row.clock], time(row.loaded_us), row.bags, row.readings, row.below, row.above, declared.scale, declared.unit,
        None if span else row.level_unit, span["low"] if span else row.level_unit, span["high"] if span else row.level_unit,
        row.worst, worst_bound(row._mapping), declared.judged, row.judged, limits.lower, limits.upper, limits.document,
        *_decision(row),
        row.verdict, row.conditioning if lab.conditioning_for(row.characteristic) else "no conditioning required", row.hours, row.humidity_min, row.humidity_max, row.humidity_mean,
        time(row.excursion_us), _yes_or_no(bool(point)), point.get("center"), point.get("lower"), point.get("upper"),
        " ".join(point.get("signals", ())), _yes_or_no(row.slip is not None), row.settled,
        " ".join(mark["finding"] for mark in marks),
        " ".join(f"{mark['size']} {mark['size_unit']}" for mark in marks),
        marks[0]["level_without"] if marks else None,
        *(bags[name] if bags else None for name in ("outside", "undecided", "worst", "worst_bound")),
    )  # fmt: skip


def _decision(row: Row[Any]) -> Cells:
    """The decision rule of a session in words, the values at which it passes and fails a lot, and the uncertainty of its level."""
    if row.conformity is None:
        return ("", *[None] * 6, "", None)
    stored: StoredConformity = json.loads(row.conformity)
    return (
        rule_words(stored["rule"]),
        stored["accept_lower"],
        stored["accept_upper"],
        stored["reject_lower"],
        stored["reject_upper"],
        stored["u"],
        stored["parts"]["bench"],
        stored["bench"],
        stored["bench_df"],
    )


def _yes_or_no(answer: bool) -> str:
    return "yes" if answer else "no"


# Loads, calibrations and checks

# The events by which a session was judged: those of its load that name its lot or none; without a load those of every load that names its lot.
EVENTS_OF_TESTS = f"""
SELECT e.*, s.started_us, s.ended_us, t.characteristic FROM {TESTS} JOIN load_event e ON e.load_id = s.load_id
JOIN label a ON a.id = s.load_id WHERE {{where}} AND a.text <> '' AND (e.lot_id = 0 OR e.lot_id = s.lot_id) AND e.at_us <= s.ended_us
UNION
SELECT e.*, s.started_us, s.ended_us, t.characteristic FROM {TESTS} JOIN load_event n ON n.lot_id = s.lot_id
JOIN load_event e ON e.load_id = n.load_id AND (e.lot_id = 0 OR e.lot_id = s.lot_id)
JOIN label a ON a.id = s.load_id WHERE {{where}} AND a.text = '' AND e.at_us <= s.ended_us
"""
LOADS_SQL = f"""
SELECT DISTINCT v.at_us, v.load_id, v.event, v.laid, v.specimens, v.planned_us, v.drop_id, v.line, a.text AS load, c.text AS chamber, l.supplier, l.product,
l.lot, d.name AS file
FROM ({EVENTS_OF_TESTS}) v JOIN label a ON a.id = v.load_id JOIN label c ON c.id = v.chamber_id JOIN "drop" d ON d.id = v.drop_id
LEFT JOIN lot l ON l.id = v.lot_id ORDER BY a.text, v.at_us, v.event, l.supplier, l.product, l.lot
"""


def _loads(source: Source) -> Iterator[Cells]:
    for row in source.rows(LOADS_SQL.format(where=source.scope.where)):
        source.files.add(row.drop_id)
        yield (
            source.time(row.at_us), row.load, row.chamber, EVENTS[row.event], row.supplier, row.product, row.lot, row.specimens,
            LAID[row.laid], source.time(row.planned_us or None), row.drop_id, row.file, row.line,
        )  # fmt: skip


CALIBRATIONS_SQL = f"""
SELECT k.*, i.text AS instrument, d.name AS file FROM calibration k JOIN label i ON i.id = k.instrument_id
JOIN "drop" d ON d.id = k.drop_id
WHERE k.instrument_id IN (SELECT s.instrument_id FROM {TESTS} WHERE {{where}}) ORDER BY i.text, k.done_us
"""


def _calibrations(source: Source) -> Iterator[Cells]:
    """All of the instruments of the tests: one after a test can show that the instrument was off before it."""
    for row in source.rows(CALIBRATIONS_SQL.format(where=source.scope.where)):
        source.files.add(row.drop_id)
        # Numbers, as the sign of a text would be taken for a formula.
        figures = [float(each) if each else None for each in (row.as_found, row.as_left, row.uncertainty)]
        yield (
            row.instrument, source.time(row.done_us), row.due_on, *figures, row.certificate,
            row.drop_id, row.file, row.line,
        )  # fmt: skip


INSTRUMENTS_SQL = f"""
SELECT i.id, i.text AS name, min(s.started_us) AS first_us, max(s.ended_us) AS last_us,
(SELECT max(k.done_us) FROM calibration k WHERE k.instrument_id = i.id AND k.done_us <= min(s.started_us)) AS calibrated_us
FROM {TESTS} JOIN label i ON i.id = s.instrument_id WHERE {{where}} GROUP BY i.id, i.text ORDER BY i.text
"""


def _instrument_checks(source: Source) -> Iterator[Cells]:
    """The set-up checks of the instruments since the calibration before the tests, and all checks of the humidity sensors of the chambers."""
    reach = check_reach_us(source.lab)
    for row in list(source.rows(INSTRUMENTS_SQL.format(where=source.scope.where))):
        first_us = min(row.first_us - reach, row.first_us if row.calibrated_us is None else row.calibrated_us)
        checks = checks_of(source.connection, source.lab, first_us, row.last_us + reach)
        for one in checks.get(row.id, []):
            shown = check_row(one, source.lab)
            yield (
                "set-up check", row.name, shown["at"], shown["outcome"], shown["deviation_percent"], shown["low_percent"],
                shown["high_percent"], shown["tolerance_percent"], _yes_or_no(shown["again"]), *[None] * 5,
            )  # fmt: skip
    names = {chamber for _, chamber, _, _ in _windows(source)}
    names |= {name for name, chamber in source.lab.second_sensors().items() if chamber.name in names}
    for name, checks_of_sensor in sorted(stored_checks(source.connection, source.lab).items()):
        for check in checks_of_sensor if name in names else ():
            yield (
                "sensor check", name, source.time(check.at_us), check.outcome, *[None] * 5, check.reads, check.reference,
                check.uncertainty, check.salt or "another reference", check.who,
            )  # fmt: skip


def _gauge_studies(source: Source) -> Iterator[Cells]:
    """The readings of the studies of the characteristics that were tested; a study that can't be used gave no bench part."""
    tested = {one.characteristic for one in bundle_scope.streams(source.connection, source.scope)}
    for declared in source.lab.gauge_studies:
        readings = study_readings(source.lab, declared) if declared.characteristic in tested else []
        digest = digest_of(source.lab.folder / declared.file).hex() if readings else ""
        for one in readings:
            yield (
                declared.name, declared.characteristic, declared.done_on.isoformat(), one.specimen, declared.sessions, one.session, one.reading,
                one.value, one.reference, source.lab.characteristic(declared.characteristic).unit, declared.file, one.line, digest,
            )  # fmt: skip


# The chamber log

CHAMBERS_SQL = f"""
SELECT c.id, c.text AS chamber, t.characteristic, s.started_us, s.ended_us
FROM {TESTS} JOIN label c ON c.id = s.chamber_id WHERE {{where}}
UNION
SELECT c.id, c.text, t.characteristic, x.started_us, x.ended_us
FROM {TESTS} JOIN session_chamber x ON x.session_id = s.id JOIN label c ON c.id = x.chamber_id WHERE {{where}}
UNION
SELECT c.id, c.text, v.characteristic, v.started_us, v.ended_us FROM ({EVENTS_OF_TESTS}) v JOIN label c ON c.id = v.chamber_id
ORDER BY 2, 1, 4, 5, 3
"""


def _climate(source: Source) -> Iterator[Cells]:
    for number, chamber, first_us, last_us in _windows(source):
        entries = source.rows(
            "SELECT logged_us, humidity_percent, temperature_c, drop_id, line FROM climate "
            "WHERE chamber_id = :chamber AND logged_us BETWEEN :first AND :last ORDER BY logged_us",
            chamber=number,
            first=first_us,
            last=last_us,
        )
        for row in entries:
            source.files.add(row.drop_id)
            yield (
                chamber, source.time(row.logged_us), row.humidity_percent, row.temperature_c, row.drop_id, row.line,
            )  # fmt: skip


def _windows(source: Source) -> Iterator[tuple[int, str, int, int]]:
    """The times of each chamber's log on which the validity of the tests depends; overlapping times are joined."""
    rows = source.rows(CHAMBERS_SQL.format(where=source.scope.where))
    for (number, chamber), tests in groupby(rows, key=lambda row: (row.id, row.chamber)):
        rules = [(row, source.lab.conditioning_for(row.characteristic)) for row in tests]
        spans = sorted((row.started_us - reach_us(rule), row.ended_us) for row, rule in rules if rule is not None)
        if not spans:
            continue
        joined = [spans[0]]
        for first, last in spans[1:]:
            if first <= joined[-1][1]:
                joined[-1] = (joined[-1][0], max(last, joined[-1][1]))
            else:
                joined.append((first, last))
        yield from ((number, chamber, first, last) for first, last in joined)


# The limits


def _limits(source: Source) -> Iterator[Cells]:
    pairs = {(one.product, one.characteristic) for one in bundle_scope.streams(source.connection, source.scope)}
    for product, characteristic in sorted(pairs):
        for side in SIDES:
            for step in source.lab.limit_steps(product, characteristic, side):
                yield _limit(product, characteristic, side, step, source)


def _limit(product: str, characteristic: str, side: str, step: Step, source: Source) -> Cells:
    declared = source.lab.characteristic(characteristic)
    rule = "inside where at or above it" if side == "lower" else "inside where below it"
    return (
        product, characteristic, side, "none" if step.value is None else step.value, declared.unit, rule, declared.judged,
        "" if step.start is None else step.start.isoformat(), step.document,
        "entry of a person" if step.is_entry else "lab.toml", step.who, source.time(step.entered_us), step.reason,
    )  # fmt: skip


def _control_limits(source: Source) -> Iterator[Cells]:
    for one in bundle_scope.streams(source.connection, source.scope):
        stored = source.connection.execute(
            text("SELECT document FROM evaluation WHERE stream_id = :id"), {"id": one.id}
        ).scalar()
        document = {} if stored is None else served(json.loads(stored), source.lab.zone)
        for limits in document.get("limits_history", ()):
            yield (
                one.supplier, one.product, one.characteristic, document["unit"], limits["lower"], limits["center"],
                limits["upper"], limits["from_at"], limits["frozen_at"], limits["from_lots"], _json(limits.get("lots", [])),
                _json(limits["left_out"]), _json(limits["set_by"]), limits["widened_for_dependence"],
            )  # fmt: skip


# Alerts and decisions


def _alerts(source: Source) -> Iterator[Cells]:
    for row in source.rows("SELECT * FROM alert ORDER BY raised_us, id"):
        if row.id in source.alerts:
            yield (
                row.id, row.kind, row.grade, row.supplier, row.product, row.characteristic, row.lot,
                source.time(row.raised_us), row.state, row.held_under, row.message,
                _json(served(json.loads(row.evidence), source.lab.zone)),
            )  # fmt: skip


def _decisions(source: Source) -> Iterator[Cells]:
    wanted = bundle_scope.subjects(source.connection, source.scope, source.alerts)
    for row in source.rows("SELECT id, at_us, who, what, subject, reason, body FROM act ORDER BY id"):
        if row.subject in wanted:
            details = _json(served(json.loads(row.body), source.lab.zone))
            yield row.id, source.time(row.at_us), row.who, row.what, row.subject, row.reason, details


# Source files


def _files(source: Source) -> Iterator[Cells]:
    """The files of the rows, and for a whole quarter also the files that were refused in it."""
    first, last = source.scope.span if source.scope.whole and source.scope.span else (1, 0)
    for row in source.rows('SELECT * FROM "drop" ORDER BY id'):
        if row.id in source.files or (row.state == "refused" and first <= row.taken_us <= last):
            place = row.put_as or f"{row.folder}/{row.name}"
            yield (
                row.id, row.kind, row.name, row.digest.hex(), row.size, source.time(row.modified_ns // 1000),
                source.time(row.taken_us), row.state, row.reason, row.stored, row.duplicate, row.corrected, row.refused,
                place, _bytes_there(source.lab.folder / place, row.digest),
            )  # fmt: skip


def _bytes_there(path: Path, digest: bytes) -> str:
    """Whether the file in that place still has the bytes that were read."""
    try:
        return "the same" if digest_of(path) == digest else "others"
    except FileNotFoundError:
        return "not there"
    except OSError:
        return "can't be read"


def _refused(source: Source) -> Iterator[Cells]:
    rows = source.rows(
        'SELECT r.drop_id, d.name, r.line, r.reason, r.cells FROM refusal r JOIN "drop" d ON d.id = r.drop_id '
        "ORDER BY r.drop_id, r.line, r.id"
    )
    return (tuple(row) for row in rows if row.drop_id in source.files)


def _json(document: object) -> str:
    return json.dumps(document, ensure_ascii=False, sort_keys=True)


# In this order, as the files are known only after their rows.
TABLES: dict[str, Callable[[Source], Iterator[Cells]]] = {
    "readings.csv": _readings,
    "sessions.csv": _sessions,
    "loads.csv": _loads,
    "calibrations.csv": _calibrations,
    "instrument-checks.csv": _instrument_checks,
    "gauge-studies.csv": _gauge_studies,
    "climate.csv": _climate,
    "limits.csv": _limits,
    "control-limits.csv": _control_limits,
    "alerts.csv": _alerts,
    "decisions.csv": _decisions,
    "files.csv": _files,
    "refused.csv": _refused,
}
