"""The documents of the quarterly scorecards, one a supplier: tests, results, changes, alerts, notices and score.

A document has every figure; each form (PDF, XLSX, HTML, CSV, the page, JSON) only lays it out. Its time is that of the store's
last round, so that the same store gives the same bytes.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, text

from dashboard.queries import stored_documents
from dashboard.text.file_names import MOST_CHARACTERS, distinguishing_mark, plain_name
from dashboard.text.formatting import digits_of
from ingest.alerts.bench_marks import marks_of_sessions
from ingest.common.errors import CallError
from ingest.config.lab import Lab
from ingest.decisions.cases import cases
from ingest.documents.alert import Alert
from ingest.documents.bench.bench_mark import BenchMark
from ingest.documents.scorecard import CardLot, CardStream, FirstIssueChanges, NoticeRow, Scorecard, SupplierStanding
from ingest.documents.stream import BoardRow, Capability
from ingest.documents.verdict.bag_count import BagCount
from ingest.evaluation.bag_counts import bag_counts_of_sessions
from ingest.quarter import first_issue
from ingest.quarter.lots import (
    Quarter,
    QuarterLot,
    StreamLots,
    corrected_since,
    gather,
    quarter,
    quarter_before,
    stopped_products,
)
from ingest.quarter.notices import asked_in, totals
from ingest.quarter.overview import OVERVIEW_NAME, lot_counts
from ingest.quarter.quarter_forecast import ForecastThen, forecasts_at
from ingest.quarter.statistics import figures
from ingest.quarter.supplier_scores import counts, lasting, score_rows, weights_document
from ingest.store.last_round import last_round
from spc.vocabulary.enums import Grade, Kind, Scale, StreamState

__all__ = ["documents"]


StreamKey = tuple[str | None, str | None, str | None]


@dataclass(frozen=True, slots=True)
class _Shared:
    """The data common to all cards of a quarter, read once."""

    lab: Lab
    span: Quarter
    drawn_up_us: int
    board: Mapping[StreamKey, BoardRow]
    capability: Mapping[int, Capability | None]
    alerts: Sequence[Alert]
    notices: Sequence[NoticeRow]
    corrected: Mapping[str, int]
    first_drawn_us: int | None
    changed: Mapping[str, FirstIssueChanges]
    standings: Mapping[str, SupplierStanding]
    file_names: Mapping[str, str]
    bench_marks: Mapping[int, list[BenchMark]]
    bag_counts: Mapping[int, BagCount]
    forecasts: Mapping[int, ForecastThen]
    stopped: Mapping[str, Sequence[tuple[str, str, int]]]


def documents(connection: Connection, lab: Lab, name: str, supplier: str | None = None) -> list[Scorecard]:
    """The scorecards of a quarter, of one supplier or of all that had a test; CallError where there is none."""
    span = quarter(name, lab)
    by_supplier: dict[str, list[StreamLots]] = {}
    for stream in gather(connection, lab, span):
        by_supplier.setdefault(stream.supplier, []).append(stream)
    if not by_supplier:
        raise CallError(f"scorecard: no supplier had a test in {name}; nothing was written")
    if supplier is not None and supplier not in by_supplier:
        raise CallError(f"scorecard: {_missing(supplier, name, lab)}; nothing was written")
    shared = _shared(connection, lab, span, by_supplier)
    chosen = [supplier] if supplier is not None else list(by_supplier)
    return [_card(one, by_supplier[one], shared) for one in chosen]


def _missing(supplier: str, name: str, lab: Lab) -> str:
    if any(standard.supplier == supplier for standard in lab.check_standards):
        return f'"{supplier}" is a check standard and no supplier'
    return f'supplier "{supplier}" had no test in {name}'


def _shared(connection: Connection, lab: Lab, span: Quarter, by_supplier: Mapping[str, list[StreamLots]]) -> _Shared:
    ever = stored_documents.alerts(connection, lab, closed_too=True)
    # Lots that age on the lab's own shelf are no result of the supplier's quarter.
    alerts = [alert for alert in lasting(ever, span) if alert["evidence"].get("form") != "stock"]
    notices = asked_in(cases(connection, lab, closed_too=True), span)
    drawn_up_us = last_round(connection)
    assert drawn_up_us is not None  # There are tests, so a round stored them
    every = [stream for streams in by_supplier.values() for stream in streams]
    tests = [lot.session["id"] for stream in every for lot in (*stream.lots, *stream.earlier)]
    bags = bag_counts_of_sessions(connection, tests)
    first_drawn_us, changed = first_issue.changes(connection, span, every, drawn_up_us)
    return _Shared(
        lab=lab,
        span=span,
        drawn_up_us=drawn_up_us,
        board={_key(row): row for row in stored_documents.board(connection, lab)},
        capability=_capability(connection),
        alerts=alerts,
        notices=notices,
        corrected=corrected_since(connection, span, span.end_us),
        first_drawn_us=first_drawn_us,
        changed=changed,
        standings=score_rows(
            {
                one: counts(
                    streams, _of(alerts, one), _notices_to(notices, one), bags, by_size=lab.scorecard.fails_by_size
                )
                for one, streams in by_supplier.items()
            },
            lab.scorecard.weights,
        ),
        file_names=_file_key(connection),
        bench_marks=marks_of_sessions(connection, lab, tests),
        bag_counts=bags,
        forecasts=forecasts_at(
            connection, lab, {stream.id: (stream.product, stream.characteristic) for stream in every}, span.end_us
        )
        if drawn_up_us >= span.end_us
        else {},
        stopped=stopped_products(connection, lab, span),
    )


def _of(alerts: Sequence[Alert], supplier: str) -> list[Alert]:
    return [alert for alert in alerts if alert["supplier"] == supplier]


def _notices_to(notices: Sequence[NoticeRow], supplier: str) -> list[NoticeRow]:
    return [notice for notice in notices if notice["supplier"] == supplier]


def _key(row: BoardRow | NoticeRow | Alert) -> StreamKey:
    return row["supplier"], row["product"], row["characteristic"]


def _capability(connection: Connection) -> dict[int, Capability | None]:
    rows = connection.execute(text("SELECT stream_id, document FROM evaluation"))
    return {stream_id: json.loads(document).get("capability") for stream_id, document in rows}


# A supplier


def _card(supplier: str, streams: Sequence[StreamLots], shared: _Shared) -> Scorecard:
    lab, span = shared.lab, shared.span
    before = quarter_before(span, lab)
    alerts, notices = _of(shared.alerts, supplier), _notices_to(shared.notices, supplier)
    return {
        "lab": lab.name,
        "supplier": supplier,
        "quarter": span.name,
        "first_day": span.first.isoformat(),
        "last_day": span.last.isoformat(),
        "earlier_quarter": before.name,
        "earlier_first_day": before.first.isoformat(),
        "drawn_up_at": stored_documents.iso(shared.drawn_up_us, lab.zone),
        "finished": shared.drawn_up_us >= span.end_us,
        "corrected_since": shared.corrected.get(supplier, 0),
        "first_drawn_up_at": stored_documents.iso(shared.first_drawn_us, lab.zone),
        "from_history": first_issue.is_from_history(span, shared.first_drawn_us, lab),
        "since_first_drawn_up": shared.changed.get(supplier),
        "counts": {**lot_counts(streams), "readings": sum(stream.readings for stream in streams)},
        "standing": shared.standings[supplier],
        "weights": weights_document(lab.scorecard.weights),
        "fails_by_size": lab.scorecard.fails_by_size,
        "notices": totals(notices),
        "stopped": [
            {"product": product, "last_lot": lot, "last_tested_at": stored_documents.iso(tested_us, lab.zone)}
            for product, lot, tested_us in shared.stopped.get(supplier, ())
        ],
        "streams": [_stream(stream, alerts, notices, shared) for stream in streams],
        "alerts": alerts,
        "file_name": shared.file_names[supplier],
    }


# A stream


def _stream(stream: StreamLots, alerts: Sequence[Alert], notices: Sequence[NoticeRow], shared: _Shared) -> CardStream:
    declared = shared.lab.characteristic(stream.characteristic)
    board = shared.board[stream.supplier, stream.product, stream.characteristic]
    of_stream = [alert for alert in alerts if _key(alert) == _key(board)]
    # Undecided lots are counted among the lots; an alert of kind limit is here a lot that failed.
    of_stream = [alert for alert in of_stream if alert["evidence"].get("form") != "undecided"]
    own = [alert for alert in of_stream if alert["held_under"] is None]
    raised = [alert for alert in own if shared.span.holds(stored_documents.from_iso(alert["raised_at"]))]
    counted = Counter(alert["kind"] for alert in raised)
    away, drifts_away = (
        [alert for alert in group if alert["kind"] == Kind.DRIFT and alert["evidence"].get("away_from_limit")]
        for group in (own, raised)
    )
    finished = shared.drawn_up_us >= shared.span.end_us
    today: ForecastThen = {
        "level": board["level"],
        "level_bound": board.get("level_bound", 0),
        "change_percent_per_month": board["change_percent_per_month"],
        "breach_probability": board["breach_probability"],
    }
    forecast = shared.forecasts[stream.id] if finished and stream.id in shared.forecasts else today
    as_of = shared.span.last.isoformat() if finished else stored_documents.iso(shared.drawn_up_us, shared.lab.zone)[:10]
    notice_totals = totals([notice for notice in notices if _key(notice) == _key(board)])
    disposition = Counter(lot.standing for lot in stream.lots)
    capability = shared.capability.get(stream.id)
    return {
        "supplier": board["supplier"],
        "product": board["product"],
        "characteristic": board["characteristic"],
        "unit": board["unit"],
        "digits": digits_of(board),
        "scale": Scale(declared.scale),
        "judged_by": declared.judged,
        "lots": len(stream.lots),
        "readings": stream.readings,
        "fail": disposition["fail"],
        "undecided": disposition["undecided"],
        "invalid": disposition["invalid"],
        "set_aside": disposition["set_aside"],
        "pass": disposition["pass"],
        "unlimited": disposition["unlimited"],
        "retested": disposition["retested"],
        **figures(stream.lots, stream.earlier, declared.unit, declared.scale),
        "level_now": forecast["level"],
        "level_now_bound": forecast["level_bound"],
        "change_percent_per_month": forecast["change_percent_per_month"],
        "breach_probability": forecast["breach_probability"],
        "ppk": board["ppk"],
        "ppk_lower": board["ppk_lower"],
        "state": _state(own, board) if finished else board["state"],
        "forecast_as_of": as_of,
        "last_tested_at": board["last_tested_at"],
        "ppk_upper": capability["ppk_upper"] if capability else None,
        "ppk_why": capability["why"] if capability else "",
        "events": {
            "limit": counted[Kind.LIMIT],
            "point": counted[Kind.POINT],
            "pattern": counted[Kind.PATTERN],
            "drift": counted[Kind.DRIFT],
            "spread": counted[Kind.SPREAD],
            "forecast": counted[Kind.FORECAST],
        },
        "drifts_away": len(drifts_away),
        "lasting": len(own) - len(raised),
        "lasting_away": len(away) - len(drifts_away),
        "alerts": counted.total(),
        "explained_by_bench": len(of_stream) - len(own),
        "notices": notice_totals["asked"],
        "notices_open": notice_totals["open"],
        "mean_days_to_answer": notice_totals["mean_days_to_answer"],
        "actions_worked": notice_totals["worked"],
        "lot_list": [_lot(lot, shared) for lot in stream.lots],
        "earlier_lot_list": [_lot(lot, shared) for lot in stream.earlier],
    }


def _state(alerts: Sequence[Alert], board: BoardRow) -> StreamState:
    """The state of a stream in a finished quarter, by the alerts that lasted in it."""
    grades = {alert["grade"] for alert in alerts}
    if Grade.ACT in grades:
        return StreamState.ACT
    if Grade.LOOK in grades:
        return StreamState.LOOK
    if board["learning"]:
        return StreamState.LEARNING
    return StreamState.NOTE if Grade.NOTE in grades else StreamState.STEADY


def _lot(lot: QuarterLot, shared: _Shared) -> CardLot:
    row = lot.session
    return {
        "lot": lot.lot,
        "tested_at": stored_documents.iso(row["started_us"], shared.lab.zone),
        "bags": row["bags"],
        "readings": row["readings"],
        "level": row["level_unit"],
        "level_range": row["level_range"],
        "worst": row["worst"],
        "worst_bound": row["worst_bound"],
        "bag_count": shared.bag_counts.get(row["id"]),
        "judged": row["judged"],
        "verdict": row["verdict"],
        "conditioning": row["conditioning"],
        "standing": lot.standing,
        "bench_findings": shared.bench_marks.get(row["id"], []),
    }


# Names of files


def _file_key(connection: Connection) -> dict[str, str]:
    """A different file name for each supplier; a mark is added to names that are alike, long or not plain."""
    suppliers = connection.execute(text("SELECT DISTINCT supplier FROM stream ORDER BY supplier")).scalars()
    plain = {str(supplier): plain_name(str(supplier)) for supplier in suppliers}
    # Some file systems ignore case: names that differ in case alone count as alike.
    taken = Counter(name.casefold() for name in plain.values()) + Counter([OVERVIEW_NAME, ""])
    names = {}
    for supplier, name in plain.items():
        unlike = taken[name.casefold()] == 1 and 0 < len(name) <= MOST_CHARACTERS and supplier.isascii()
        mark = distinguishing_mark(supplier)
        names[supplier] = name if unlike else f"{name[:MOST_CHARACTERS] or 'supplier'}-{mark}"
    return names
