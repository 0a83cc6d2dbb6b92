"""What commands and pages read: the JSON documents of the public surface, put together from the store.

No figure is computed here. Times leave as ISO 8601 with the offset of the lab's zone.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, RowMapping, bindparam, text

from dashboard.charts.sparkline import SparklineData
from ingest.alerts.shared_shift_alerts import FALSE_FINDINGS_PER_YEAR
from ingest.audit.limit_entries import with_entered_limits
from ingest.common.errors import CallError
from ingest.common.instants import from_microseconds, microseconds
from ingest.config.lab import Lab
from ingest.config.limit_history import step_document
from ingest.decisions.corrective_actions import corrective_actions
from ingest.evaluation.alert_text import slip
from ingest.evaluation.humidity_effect import humidity_of
from ingest.rounds.rounds import Round
from ingest.store.last_round import last_round
from ingest.store.store import KEYS_AT_ONCE
from spc.stream.unit_errors import Mark, Share, Slip, slipped
from spc.vocabulary.enums import AlertState, Grade, StreamState

__all__ = [
    "alerts",
    "alerts_named",
    "all_sketches",
    "board",
    "board_row",
    "expected_false_alerts",
    "from_iso",
    "iso",
    "lot",
    "quarters",
    "replay",
    "rows_of",
    "run",
    "sketches",
    "stream",
    "suspect_sessions",
    "with_times",
]

Document = dict[str, Any]
Stream = tuple[str, str, str]


def iso(us: int | None, zone: ZoneInfo) -> str | None:
    """A stored time as ISO 8601 in the lab's zone."""
    if us is None:
        return None
    return from_microseconds(us).astimezone(zone).isoformat()


def rows_of(connection: Connection, sql: str, **values: object) -> list[RowMapping]:
    """The rows that a question to the store brings."""
    return list(connection.execute(text(sql), values).mappings())


def run(connection: Connection, lab: Lab, done: Round) -> Document:
    """What one round did: the document of `lotdrift run`."""
    return {
        "files": [
            {
                "name": entry.name,
                "kind": entry.kind,
                "state": entry.state,
                "stored": entry.stored,
                "duplicate": entry.duplicate,
                "corrected": entry.corrected,
                "refused": entry.refused,
                "reason": entry.reason or None,
            }
            for entry in done.entries
        ],
        "evaluated": done.evaluated,
        "to_look_at": connection.execute(text("SELECT count(*) FROM mark WHERE settled = ''")).scalar(),
        "raised": alerts_named(connection, lab, done.raised),
    }


# Alerts


def alerts(connection: Connection, lab: Lab, *, closed_too: bool = False) -> list[Document]:
    """Alerts, the newest first: the document of `lotdrift alerts`."""
    rows = [row for row in _alert_rows(connection) if closed_too or row["state"] != AlertState.CLOSED]
    return _alerts(connection, lab, rows)


def alerts_named(connection: Connection, lab: Lab, ids: Iterable[str]) -> list[Document]:
    """The alerts with these ids."""
    return _alerts(connection, lab, _alert_rows(connection, ids))


def _alert_rows(connection: Connection, ids: Iterable[str] | None = None) -> list[RowMapping]:
    if ids is None:
        return rows_of(connection, "SELECT * FROM alert ORDER BY raised_us DESC, id")
    named = text("SELECT * FROM alert WHERE id IN :ids").bindparams(bindparam("ids", expanding=True))
    wanted = list(dict.fromkeys(ids))
    rows: list[RowMapping] = []
    for start in range(0, len(wanted), KEYS_AT_ONCE):
        rows += connection.execute(named, {"ids": wanted[start : start + KEYS_AT_ONCE]}).mappings()
    return sorted(rows, key=lambda row: (-row["raised_us"], row["id"]))


def _alerts(connection: Connection, lab: Lab, rows: Sequence[RowMapping]) -> list[Document]:
    actions = corrective_actions(connection, lab, [row["id"] for row in rows])
    return [{**_alert(row, lab), "corrective_action": actions.get(row["id"])} for row in rows]


def _alert(row: RowMapping, lab: Lab) -> Document:
    names = ("id", "kind", "grade", "supplier", "product", "characteristic", "lot")
    return {
        **{name: row[name] for name in names},
        "raised_at": iso(row["raised_us"], lab.zone),
        "message": row["message"],
        "evidence": with_times(json.loads(row["evidence"]), lab),
        "state": row["state"],
        "held_under": row["held_under"],
    }


# Board


# What a finding about the bench explains stays to be looked at; the supplier has nothing to act on.
BOARD_GRADE = "CASE WHEN grade = 'act' AND held_under IS NOT NULL THEN 'look' ELSE grade END AS grade"


def board(connection: Connection, lab: Lab) -> list[Document]:
    """One row a stream, the most urgent first: the document of `lotdrift board`."""
    looked_at = last_round(connection)
    grades = _open_grades(connection)
    rows = rows_of(
        connection,
        "SELECT s.id, s.supplier, s.product, s.characteristic, e.board FROM stream s JOIN evaluation e ON e.stream_id = s.id",
    )
    documents = [_board_row(row, grades.get(row["id"], set()), looked_at, lab) for row in rows]
    return sorted(documents, key=_urgency)


def board_row(connection: Connection, lab: Lab, supplier: str, product: str, characteristic: str) -> Document:
    """The board's row of one stream that is known to exist."""
    (row,) = rows_of(
        connection,
        "SELECT s.id, s.supplier, s.product, s.characteristic, e.board FROM stream s JOIN evaluation e ON e.stream_id = s.id "
        "WHERE s.supplier = :supplier AND s.product = :product AND s.characteristic = :characteristic",
        supplier=supplier,
        product=product,
        characteristic=characteristic,
    )
    grades = rows_of(
        connection, f"SELECT {BOARD_GRADE} FROM alert WHERE state <> 'closed' AND stream_id = :id", id=row["id"]
    )
    return _board_row(row, {found["grade"] for found in grades}, last_round(connection), lab)


def _open_grades(connection: Connection) -> dict[int, set[str]]:
    grades: dict[int, set[str]] = {}
    for row in rows_of(
        connection, f"SELECT stream_id, {BOARD_GRADE} FROM alert WHERE state <> 'closed' AND stream_id IS NOT NULL"
    ):
        grades.setdefault(row["stream_id"], set()).add(row["grade"])
    return grades


def _board_row(row: RowMapping, grades: set[str], looked_at: int | None, lab: Lab) -> Document:
    stored = json.loads(row["board"])
    tested_us, silent_after = stored.pop("last_tested_us"), stored.pop("silent_after_us")
    silent = looked_at is not None and tested_us is not None and looked_at - tested_us > silent_after
    return {
        "supplier": row["supplier"],
        "product": row["product"],
        "characteristic": row["characteristic"],
        **stored,
        "last_tested_at": iso(tested_us, lab.zone),
        "state": _state(grades, silent=silent, learning=stored["learning"]),
    }


def _state(grades: set[str], *, silent: bool, learning: bool) -> str:
    """The one word for a stream: what needs a person first, then what can't be said, then that all is well."""
    if Grade.ACT in grades:
        return StreamState.ACT
    if Grade.LOOK in grades:
        return StreamState.LOOK
    if silent:
        return StreamState.SILENT
    return StreamState.LEARNING if learning else StreamState.STEADY


def _urgency(row: Document) -> tuple[int, float, str, str, str]:
    order = [StreamState.ACT, StreamState.LOOK, StreamState.SILENT, StreamState.LEARNING, StreamState.STEADY]
    chance = row["breach_probability"] or 0.0
    return order.index(row["state"]), -chance, row["supplier"], row["product"], row["characteristic"]


# Stream


def stream(connection: Connection, lab: Lab, supplier: str, product: str, characteristic: str) -> Document:
    """One stream, point by point: the document of `lotdrift stream`; CallError where there is none such."""
    found = rows_of(
        connection,
        "SELECT s.id, e.document FROM stream s JOIN evaluation e ON e.stream_id = s.id "
        "WHERE s.supplier = :supplier AND s.product = :product AND s.characteristic = :characteristic",
        supplier=supplier,
        product=product,
        characteristic=characteristic,
    )
    if not found:
        raise CallError(
            f'stream: there is none for supplier "{supplier}", product "{product}", characteristic "{characteristic}"; '
            "lotdrift board lists them all"
        )
    points = rows_of(
        connection, "SELECT tested_us, document FROM point WHERE stream_id = :id ORDER BY ordinal", id=found[0]["id"]
    )
    stored = json.loads(found[0]["document"])
    humidity, adjusted = humidity_of(connection, lab, found[0]["id"])
    return {
        "supplier": supplier,
        "product": product,
        "characteristic": characteristic,
        **with_times({**stored, "humidity": humidity}, lab),
        "points": [
            {"tested_at": iso(row["tested_us"], lab.zone), **json.loads(row["document"]), "adjusted_level": level}
            for row, level in zip(points, adjusted, strict=True)
        ],
    }


def with_times(stored: Document, lab: Lab) -> Document:
    """Stored times (keys that end in `_us`) as ISO 8601 (`_at`), at any depth."""
    told: Document = {}
    for key, value in stored.items():
        if key.endswith("_us"):
            told[f"{key[:-3]}_at"] = iso(value, lab.zone)
        elif isinstance(value, dict):
            told[key] = with_times(value, lab)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            told[key] = [with_times(item, lab) for item in value]
        else:
            told[key] = value
    return told


# Lot


def lot(connection: Connection, lab: Lab, supplier: str, name: str) -> Document:
    """One lot, every reading and session: the document of `lotdrift lot`; CallError where there is none such."""
    lots = rows_of(
        connection,
        "SELECT id, supplier, product, received_on, made_on FROM lot WHERE supplier = :supplier AND lot = :lot ORDER BY product",
        supplier=supplier,
        lot=name,
    )
    if not lots:
        raise CallError(f'lot: supplier "{supplier}" has no lot "{name}"; lotdrift board lists the suppliers and lots')
    lab = with_entered_limits(connection, lab)
    return {
        "supplier": supplier,
        "product": lots[0]["product"],
        "lot": name,
        "received_on": lots[0]["received_on"] or None,
        "made_on": lots[0]["made_on"] or None,
        "sessions": [document for row in lots for document in _sessions(connection, lab, row)],
        "alerts": _alerts(
            connection,
            lab,
            rows_of(
                connection,
                "SELECT * FROM alert WHERE supplier = :supplier AND lot = :lot ORDER BY raised_us DESC, id",
                supplier=supplier,
                lot=name,
            ),
        ),
    }


# By stream and lot: that is how sessions and readings are found without a search through all of them.
SESSION_SQL = """
SELECT s.*, t.characteristic, c.text AS chamber, i.text AS instrument, l.text AS load,
m.share, m.slip, m.power, m.low, m.high, m.settled
FROM session s JOIN stream t ON t.id = s.stream_id LEFT JOIN mark m ON m.session_id = s.id
JOIN label c ON c.id = s.chamber_id JOIN label i ON i.id = s.instrument_id JOIN label l ON l.id = s.load_id
WHERE t.supplier = :supplier AND t.product = :product AND s.lot_id = :lot ORDER BY t.characteristic, s.started_us
"""

READING_SQL = """
SELECT r.stream_id, r.tested_us, r.specimen, r.reading, r.value, r.bound, r.written, r.line, r.notes, d.name AS file,
o.text AS operator,
EXISTS (SELECT 1 FROM earlier_value e WHERE e.stream_id = r.stream_id AND e.lot_id = r.lot_id AND e.tested_us = r.tested_us
AND e.specimen = r.specimen AND e.reading = r.reading) AS corrected
FROM reading r JOIN "drop" d ON d.id = r.drop_id JOIN label o ON o.id = r.operator_id
WHERE r.stream_id IN (SELECT id FROM stream WHERE supplier = :supplier AND product = :product) AND r.lot_id = :lot
ORDER BY r.stream_id, r.tested_us, r.specimen, r.reading
"""


def _sessions(connection: Connection, lab: Lab, row: RowMapping) -> list[Document]:
    names = {"supplier": row["supplier"], "product": row["product"], "lot": row["id"]}
    readings = rows_of(connection, READING_SQL, **names)
    documents = []
    for session in rows_of(connection, SESSION_SQL, **names):
        own = [
            reading
            for reading in readings
            if reading["stream_id"] == session["stream_id"]
            and session["started_us"] <= reading["tested_us"] <= session["ended_us"]
        ]
        documents.append({"product": row["product"], **_session(row["product"], session, own, lab)})
    return documents


def _session(product: str, session: RowMapping, readings: list[RowMapping], lab: Lab) -> Document:
    characteristic = lab.characteristic(session["characteristic"])
    mark = None if session["share"] is None else suspect_sessions(session)
    off = slipped(mark, [reading["value"] for reading in readings]) if mark else [False] * len(readings)
    tested = from_microseconds(session["started_us"])
    limits = lab.limits_at(product, session["characteristic"], tested)
    sources = lab.limit_sources(product, session["characteristic"], tested)
    return {
        "characteristic": session["characteristic"],
        "unit": characteristic.unit,
        "tested_at": iso(session["started_us"], lab.zone),
        "ended_at": iso(session["ended_us"], lab.zone),
        "chamber": session["chamber"],
        "instrument": session["instrument"],
        "load": session["load"],
        "conditioning": {
            "state": session["conditioning"],
            "hours": session["hours"],
            "humidity_min": session["humidity_min"],
            "humidity_max": session["humidity_max"],
        },
        "level": session["level_unit"],
        "worst": session["worst"],
        "judged_by": characteristic.judged,
        "scale": characteristic.scale,
        "limit_lower": limits.lower,
        "limit_upper": limits.upper,
        "limit_document": limits.document or None,
        "limit_sources": {
            side: None if step is None else with_times(step_document(step), lab) for side, step in sources.items()
        },
        "judged": session["judged"],
        "verdict": session["verdict"],
        "bags": session["bags"],
        "mark": None
        if mark is None
        else {"told": slip(mark), "low": mark.low, "high": mark.high, "settled": session["settled"] or None},
        "readings": [
            {**_reading(reading, characteristic.unit, lab), "marked": bool(one)}
            for reading, one in zip(readings, off, strict=True)
        ],
    }


def suspect_sessions(row: RowMapping) -> Mark:
    """The mark of a session in a row of the store."""
    return Mark(Share(row["share"]), Slip(row["slip"]), row["power"], row["low"], row["high"])


def _reading(reading: RowMapping, unit: str, lab: Lab) -> Document:
    return {
        "specimen": reading["specimen"],
        "reading": reading["reading"],
        "value": reading["value"],
        "bound": reading["bound"],
        "unit": unit,
        "written": reading["written"],
        "tested_at": iso(reading["tested_us"], lab.zone),
        "operator": reading["operator"],
        "file": reading["file"],
        "line": reading["line"],
        "notes": json.loads(reading["notes"]) if reading["notes"] else {},
        "state": "corrected" if reading["corrected"] else "stored",
    }


def from_iso(stamp: str) -> int:
    """Microseconds of an ISO 8601 time that a document carries."""
    return microseconds(datetime.fromisoformat(stamp))


def sketches(connection: Connection, streams: Iterable[Stream]) -> dict[Stream, SparklineData]:
    """The small picture of each of these streams, by supplier, product and characteristic."""
    names = list(streams)
    if not names:
        return {}
    wanted = text(f"{SKETCH_SQL} WHERE (s.supplier, s.product, s.characteristic) IN :streams").bindparams(
        bindparam("streams", expanding=True)
    )
    return _rooms(connection.execute(wanted, {"streams": names}).mappings())


def all_sketches(connection: Connection) -> dict[Stream, SparklineData]:
    """The small picture of every stream."""
    return _rooms(connection.execute(text(SKETCH_SQL)).mappings())


SKETCH_SQL = (
    "SELECT s.supplier, s.product, s.characteristic, e.sketch FROM stream s JOIN evaluation e ON e.stream_id = s.id"
)


def _rooms(rows: Iterable[RowMapping]) -> dict[Stream, SparklineData]:
    return {(row["supplier"], row["product"], row["characteristic"]): _room(json.loads(row["sketch"])) for row in rows}


def _room(sketch: Document) -> SparklineData:
    return SparklineData(
        lots=[(week, level) for week, level in sketch["lots"]],
        fan=[(week, p10, p25, p75, p90) for week, p10, p25, p75, p90 in sketch["fan"]],
        usual=sketch["usual"],
        lower=sketch["lower"],
        upper=sketch["upper"],
    )


def quarters(connection: Connection, lab: Lab) -> list[str]:
    """The quarters with a test, the newest first, by test date in the lab's zone."""
    # Each end in a question of its own is one look into the index; both in one would walk all of it.
    ends = "SELECT (SELECT min(started_us) FROM session), (SELECT max(started_us) FROM session)"
    first, last = connection.execute(text(ends)).one()
    if first is None:
        return []
    names = []
    start, end = (from_microseconds(stamp) for stamp in (first, last))
    moment, stop = start.astimezone(lab.zone), end.astimezone(lab.zone)
    year, number = moment.year, (moment.month + 2) // 3
    while (year, number) <= (stop.year, (stop.month + 2) // 3):
        names.append(f"{year}-Q{number}")
        year, number = (year, number + 1) if number < 4 else (year + 1, 1)
    return names[::-1]


def expected_false_alerts(rows: Iterable[Document], lab: Lab) -> str:
    """What the budget of false alerts means for a board of these rows, in words, and how it was obtained."""
    streams = sum(not row["check_standard"] for row in rows)
    budget = lab.alerts.false_alerts_per_stream_year
    return (
        f"Expect about {budget * streams / 4:.1f} false alerts a quarter over {streams} streams: "
        f"{budget:g} a stream and year is what lab.toml allows, at each stream's own pace of lots. About "
        f"{FALSE_FINDINGS_PER_YEAR:g} a year comes on top from looking for shifts that suppliers share."
    )


def replay(connection: Connection, lab: Lab, day: date) -> Document:
    """The board and the open alerts of a past day: the document of `lotdrift replay`."""
    return {"day": day.isoformat(), "board": board(connection, lab), "alerts": alerts(connection, lab)}
