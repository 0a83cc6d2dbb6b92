"""The JSON documents of the public surface that lists are made of, read from the store: alerts, board, rounds.

No figure is computed here. Times leave as ISO 8601 with the offset of the lab's zone. Single streams and lots are read by
`stream_document` and `lot_document`, which take longer to load.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import TYPE_CHECKING, cast

from sqlalchemy import Connection, RowMapping, bindparam, text

from dashboard.charts.sparkline import SparklineData
from ingest.audit.lot_decisions import LotAlert, decisions_on_lots
from ingest.common.instants import from_microseconds, microseconds
from ingest.common.json_text import from_json
from ingest.common.number_format import digits_of
from ingest.config.lab import Lab
from ingest.decisions.corrective_actions import corrective_actions
from ingest.documents.alert import Alert, AlertNow, StoredEvidence
from ingest.documents.rounds import FileKind, FileState, ReplayDocument, RoundDocument
from ingest.documents.served import iso, served
from ingest.documents.stream import BoardRow, StoredBoardRow, StoredSparkline
from ingest.store.dialect import among
from ingest.store.last_round import last_round
from ingest.store.store import KEYS_AT_ONCE
from spc.vocabulary.enums import AlertState, Grade, Kind, StreamState

if TYPE_CHECKING:
    from ingest.rounds.rounds import Round

__all__ = [
    "ALERTS_OF_STREAMS",
    "STATES",
    "Stream",
    "alert_documents",
    "alerts",
    "alerts_named",
    "all_sketches",
    "board",
    "board_row",
    "from_iso",
    "iso",
    "quarters",
    "replay",
    "rows_of",
    "run",
    "sketches",
]

Stream = tuple[str, str, str]

STATES = tuple(StreamState)
"""The states of a stream, the most urgent first."""


# Rows and times


def rows_of(connection: Connection, sql: str, **values: object) -> list[RowMapping]:
    """The rows of a query."""
    return list(connection.execute(text(sql), values).mappings())


def from_iso(stamp: str) -> int:
    """An ISO 8601 time of a document as stored, in microseconds."""
    return microseconds(datetime.fromisoformat(stamp))


# Rounds


def run(connection: Connection, lab: Lab, done: Round) -> RoundDocument:
    """What one round did: the document of `lotdrift run`."""
    return {
        "files": [
            {
                "name": entry.name,
                "kind": cast(FileKind, entry.kind),
                "state": cast(FileState, entry.state),
                "stored": entry.stored,
                "duplicate": entry.duplicate,
                "corrected": entry.corrected,
                "refused": entry.refused,
                "omitted": entry.omitted,
                "reason": entry.reason or None,
                "note": entry.note or None,
            }
            for entry in done.entries
        ],
        "evaluated": done.evaluated,
        "to_look_at": connection.execute(text("SELECT count(*) FROM mark WHERE settled = ''")).scalar_one(),
        "raised": alerts_named(connection, lab, done.raised),
        "unread": done.unread,
    }


def replay(connection: Connection, lab: Lab, day: date) -> ReplayDocument:
    """The board and the open alerts of a past day: the document of `lotdrift replay`."""
    return {"day": day.isoformat(), "board": board(connection, lab), "alerts": alerts(connection, lab)}


def quarters(connection: Connection, lab: Lab) -> list[str]:
    """The quarters from the first test to the last, the newest first, by test date in the lab's zone."""
    # Two subqueries use the index once each; one query for both ends would scan it.
    ends = "SELECT (SELECT min(started_us) FROM session), (SELECT max(started_us) FROM session)"
    first, last = connection.execute(text(ends)).one()
    if first is None:
        return []
    start, end = (from_microseconds(us).astimezone(lab.zone) for us in (first, last))
    first_quarter, last_quarter = (4 * day.year + (day.month - 1) // 3 for day in (start, end))
    return [f"{quarter // 4}-Q{quarter % 4 + 1}" for quarter in range(last_quarter, first_quarter - 1, -1)]


# Alerts


def alerts(connection: Connection, lab: Lab, *, closed_too: bool = False) -> list[Alert]:
    """Alerts, the newest first: the document of `lotdrift alerts`."""
    rows = rows_of(connection, "SELECT * FROM alert ORDER BY raised_us DESC, id")
    return alert_documents(connection, lab, [row for row in rows if closed_too or row["state"] != AlertState.CLOSED])


def alerts_named(connection: Connection, lab: Lab, ids: Iterable[str]) -> list[Alert]:
    """The alerts with these ids, the newest first."""
    query = text("SELECT * FROM alert WHERE id IN :ids").bindparams(bindparam("ids", expanding=True))
    unique = list(dict.fromkeys(ids))
    rows: list[RowMapping] = []
    for start in range(0, len(unique), KEYS_AT_ONCE):
        rows += connection.execute(query, {"ids": unique[start : start + KEYS_AT_ONCE]}).mappings()
    return alert_documents(connection, lab, sorted(rows, key=lambda row: (-row["raised_us"], row["id"])))


def alert_documents(connection: Connection, lab: Lab, rows: Sequence[RowMapping]) -> list[Alert]:
    """Rows of the table `alert` as documents, each with its corrective action."""
    actions = corrective_actions(connection, lab, [row["id"] for row in rows])
    now = _now(connection, lab, {row["stream_id"] for row in rows if row["stream_id"] is not None})
    documents: list[Alert] = []
    for row in rows:
        evidence: StoredEvidence = from_json(row["evidence"])
        documents.append(
            {
                "id": row["id"],
                "kind": row["kind"],
                "grade": row["grade"],
                "supplier": row["supplier"],
                "product": row["product"],
                "characteristic": row["characteristic"],
                "lot": row["lot"],
                "raised_at": iso(row["raised_us"], lab.zone),
                "message": row["message"],
                "now": now.get(row["stream_id"]),
                "evidence": served(evidence, lab.zone),
                "state": row["state"],
                "held_under": row["held_under"],
                "corrective_action": actions.get(row["id"]),
                "lots_to_decide": _lots_to_decide(connection, row, evidence),
            }
        )
    return documents


def _lots_to_decide(connection: Connection, row: RowMapping, evidence: StoredEvidence) -> list[str] | None:
    """The lots of an alert without a decision since their last test; None where no decision on a lot answers the alert."""
    if row["state"] == AlertState.CLOSED or row["stream_id"] is None or row["kind"] == Kind.BENCH:
        return None
    moments = decisions_on_lots(connection, LotAlert(row["stream_id"], row["raised_us"]), evidence)
    return [lot for lot, moment in moments.items() if moment is None] if moments else None


def _now(connection: Connection, lab: Lab, streams: set[int]) -> dict[int, AlertNow]:
    """The present figures of streams, by number: those of the board."""
    query = text("SELECT stream_id, board FROM evaluation WHERE stream_id IN :streams").bindparams(
        bindparam("streams", expanding=True)
    )
    found: dict[int, AlertNow] = {}
    wanted = sorted(streams)
    for start in range(0, len(wanted), KEYS_AT_ONCE):
        for row in connection.execute(query, {"streams": wanted[start : start + KEYS_AT_ONCE]}):
            stored: StoredBoardRow = from_json(row.board)
            found[row.stream_id] = {
                "level": stored["level"],
                "level_bound": stored.get("level_bound", 0),
                "unit": stored["unit"],
                "digits": digits_of(stored),
                "last_lot": stored["last_lot"],
                "last_tested_at": iso(stored["last_tested_us"], lab.zone),
                "change_percent_per_month": stored["change_percent_per_month"],
                "breach_probability": stored["breach_probability"],
            }
    return found


# Board

# The supplier has nothing to act on while a finding about the bench explains the alert.
# An alert about lots in stock concerns the stream of its film, though it comes from no lot of it.
ALERTS_OF_STREAMS = (
    "alert a JOIN stream s ON s.supplier = a.supplier AND s.product = a.product AND s.characteristic = a.characteristic"
)
BOARD_GRADE = "CASE WHEN a.grade = 'act' AND a.held_under IS NOT NULL THEN 'look' ELSE a.grade END AS grade"


def board(connection: Connection, lab: Lab) -> list[BoardRow]:
    """One row a stream, the most urgent first: the document of `lotdrift board`."""
    return _board_rows(connection, lab)


def board_row(connection: Connection, lab: Lab, supplier: str, product: str, characteristic: str) -> BoardRow:
    """The board's row of one stream that is known to exist."""
    where = "WHERE s.supplier = :supplier AND s.product = :product AND s.characteristic = :characteristic"
    (row,) = _board_rows(connection, lab, where, supplier=supplier, product=product, characteristic=characteristic)
    return row


def _board_rows(connection: Connection, lab: Lab, where: str = "", **values: str) -> list[BoardRow]:
    looked_at = last_round(connection)
    grades: dict[int, set[str]] = {}
    for alert in rows_of(
        connection,
        f"SELECT s.id, {BOARD_GRADE} FROM {ALERTS_OF_STREAMS} {where} "
        f"{'AND' if where else 'WHERE'} a.state <> 'closed'",
        **values,
    ):
        grades.setdefault(alert["id"], set()).add(alert["grade"])
    documents: list[BoardRow] = []
    last: dict[tuple[int, int], BoardRow] = {}
    for row in rows_of(
        connection,
        "SELECT s.id, s.supplier, s.product, s.characteristic, e.board FROM stream s "
        f"JOIN evaluation e ON e.stream_id = s.id {where}",
        **values,
    ):
        stored: StoredBoardRow = from_json(row["board"])
        silent = looked_at is not None and looked_at - stored["last_tested_us"] > stored["silent_after_us"]
        documents.append(
            {
                "supplier": row["supplier"],
                "product": row["product"],
                "characteristic": row["characteristic"],
                "unit": stored["unit"],
                "digits": digits_of(stored),
                "lots": stored["lots"],
                "last_lot": stored["last_lot"],
                "level": stored["level"],
                "level_bound": stored.get("level_bound", 0),
                "limit_lower": stored["limit_lower"],
                "limit_upper": stored["limit_upper"],
                "change_percent_per_month": stored["change_percent_per_month"],
                "breach_probability": stored["breach_probability"],
                "weeks_to_limit": stored["weeks_to_limit"],
                "ppk": stored["ppk"],
                "ppk_lower": stored["ppk_lower"],
                "learning": stored["learning"],
                "check_standard": stored["check_standard"],
                "last_bags": 0,
                "last_bags_outside": 0,
                "last_tested_at": iso(stored["last_tested_us"], lab.zone),
                "state": _state(grades.get(row["id"], set()), silent=silent, learning=stored["learning"]),
            }
        )
        last[row["id"], stored["last_tested_us"]] = documents[-1]
    _add_bags(connection, last)
    return sorted(
        documents,
        key=lambda row: (
            STATES.index(row["state"]), -(row["breach_probability"] or 0.0), row["supplier"], row["product"], row["characteristic"]
        ),
    )  # fmt: skip


LAST_BAGS_SQL = """
SELECT x.stream_id, x.started_us, b.bags, b.outside FROM session x JOIN bag_count b ON b.session_id = x.id
WHERE (x.stream_id, x.started_us) IN {keys} AND b.outside > 0 AND x.conditioning = 'valid'
"""


def _add_bags(connection: Connection, last: Mapping[tuple[int, int], BoardRow]) -> None:
    """Add the bags of the last test of each stream, by the number of the stream and the start of the test."""
    wanted = list(last)
    for start in range(0, len(wanted), KEYS_AT_ONCE):
        keys, values = among(connection, wanted[start : start + KEYS_AT_ONCE])
        for stream, started_us, bags, outside in connection.exec_driver_sql(LAST_BAGS_SQL.format(keys=keys), values):
            last[stream, started_us].update({"last_bags": bags, "last_bags_outside": outside})


def _state(grades: set[str], *, silent: bool, learning: bool) -> StreamState:
    """The one word for a stream: open alerts come before silence, and silence before what its limits allow to say."""
    if Grade.ACT in grades:
        return StreamState.ACT
    if Grade.LOOK in grades:
        return StreamState.LOOK
    if silent:
        return StreamState.SILENT
    if learning:
        return StreamState.LEARNING
    return StreamState.NOTE if Grade.NOTE in grades else StreamState.STEADY


# Sparklines

SPARKLINE_SQL = (
    "SELECT s.supplier, s.product, s.characteristic, e.sketch FROM stream s JOIN evaluation e ON e.stream_id = s.id"
)


def sketches(connection: Connection, streams: Iterable[Stream]) -> dict[Stream, SparklineData]:
    """The sparkline of each of these streams, by supplier, product and characteristic."""
    names = list(streams)
    if not names:
        return {}
    query = text(f"{SPARKLINE_SQL} WHERE (s.supplier, s.product, s.characteristic) IN :streams").bindparams(
        bindparam("streams", expanding=True)
    )
    return _sparklines(connection.execute(query, {"streams": names}).mappings())


def all_sketches(connection: Connection) -> dict[Stream, SparklineData]:
    """The sparkline of every stream."""
    return _sparklines(connection.execute(text(SPARKLINE_SQL)).mappings())


def _sparklines(rows: Iterable[RowMapping]) -> dict[Stream, SparklineData]:
    sparklines = {}
    for row in rows:
        sketch: StoredSparkline = from_json(row["sketch"])
        sparklines[row["supplier"], row["product"], row["characteristic"]] = SparklineData(
            lots=[(week, level) for week, level in sketch["lots"]],
            bounded=[(week, end, bound) for week, end, bound in sketch.get("bounded", [])],
            fan=[(week, p10, p25, p75, p90) for week, p10, p25, p75, p90 in sketch["fan"]],
            usual=sketch["usual"],
            lower=sketch["lower"],
            upper=sketch["upper"],
        )
    return sparklines
