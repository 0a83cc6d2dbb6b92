"""The quarterly scorecards: what was tested, how it stood, what moved, and who stands where.

One document a supplier holds every figure; each form (PDF, XLSX, HTML, CSV, the page, JSON) only lays it out. The time
at which it was drawn up is that of the store's last round, so that the same store gives the same bytes.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection, text

from dashboard.queries import stored_documents
from ingest.common.errors import CallError
from ingest.config.lab import Lab
from ingest.quarter import first_issue
from ingest.quarter.lots import (
    DISPOSITIONS,
    Quarter,
    QuarterLot,
    StreamLots,
    corrected_since,
    gather,
    quarter,
    quarter_before,
)
from ingest.quarter.notices import asked_in, totals
from ingest.quarter.statistics import figures
from ingest.quarter.supplier_scores import counts, score_rows, weights_document
from ingest.store.last_round import last_round
from spc.vocabulary.enums import Direction, Kind

__all__ = ["EVENTS", "OVERVIEW_NAME", "documents", "overview"]

Document = Any

EVENTS = (Kind.LIMIT, Kind.POINT, Kind.PATTERN, Kind.DRIFT, Kind.SPREAD, Kind.FORECAST)
NOW = ("change_percent_per_month", "breach_probability", "ppk", "ppk_lower", "state", "last_tested_at")
OVERVIEW_NAME = "all-suppliers"


@dataclass(frozen=True, slots=True)
class _Shared:
    """What all cards of a quarter draw on, read once."""

    lab: Lab
    span: Quarter
    drawn_up_us: int
    board: Mapping[tuple[str, str, str], Document]
    capability: Mapping[int, Document]
    alerts: Sequence[Document]
    notices: Sequence[Document]
    corrected: Mapping[str, int]
    first_drawn_us: int | None
    changed: Mapping[str, Document]
    standings: Mapping[str, Document]
    file_names: Mapping[str, str]


def documents(connection: Connection, lab: Lab, name: str, supplier: str | None = None) -> list[Document]:
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
    alerts = [alert for alert in ever if span.holds(stored_documents.from_iso(alert["raised_at"]))]
    notices = asked_in(ever, span)
    drawn_up_us = last_round(connection)
    assert drawn_up_us is not None  # there are tests, so a round took them in
    every = [stream for streams in by_supplier.values() for stream in streams]
    first_drawn_us, changed = first_issue.changes(connection, span, every, drawn_up_us)
    return _Shared(
        lab=lab,
        span=span,
        drawn_up_us=drawn_up_us,
        board={_names(row): row for row in stored_documents.board(connection, lab)},
        capability=_capability(connection),
        alerts=alerts,
        notices=notices,
        corrected=corrected_since(connection, span, span.end_us),
        first_drawn_us=first_drawn_us,
        changed=changed,
        standings=score_rows(
            {one: counts(streams, _of(alerts, one), _of(notices, one)) for one, streams in by_supplier.items()},
            lab.scorecard.weights,
        ),
        file_names=_file_names(connection),
    )


def _of(documents: Sequence[Document], supplier: str) -> list[Document]:
    return [document for document in documents if document["supplier"] == supplier]


def _names(row: Mapping[str, Any]) -> tuple[str, str, str]:
    return row["supplier"], row["product"], row["characteristic"]


def _capability(connection: Connection) -> dict[int, Document]:
    rows = connection.execute(text("SELECT stream_id, document FROM evaluation"))
    return {stream_id: json.loads(document).get("capability") or {} for stream_id, document in rows}


# A supplier


def _card(supplier: str, streams: Sequence[StreamLots], shared: _Shared) -> Document:
    lab, span = shared.lab, shared.span
    before = quarter_before(span, lab)
    alerts, notices = _of(shared.alerts, supplier), _of(shared.notices, supplier)
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
        "since_first_drawn_up": shared.changed.get(supplier),
        "counts": {**_counts(streams), "readings": sum(stream.readings for stream in streams)},
        "standing": shared.standings[supplier],
        "weights": weights_document(lab.scorecard.weights),
        "notices": totals(notices),
        "streams": [_stream(stream, alerts, notices, shared) for stream in streams],
        "alerts": alerts,
        "file_name": shared.file_names[supplier],
    }


def _counts(streams: Sequence[StreamLots]) -> dict[str, int]:
    """Lots of a supplier, each once: of its characteristics the one that weighs most decides."""
    worst: dict[tuple[str, str], int] = {}
    for stream in streams:
        for lot in stream.lots:
            key, weight = (stream.product, lot.lot), DISPOSITIONS.index(lot.standing)
            worst[key] = min(weight, worst.get(key, weight))
    found = Counter(DISPOSITIONS[weight] for weight in worst.values())
    return {"lots": len(worst), **{standing: found[standing] for standing in DISPOSITIONS}}


# A stream


def _stream(stream: StreamLots, alerts: Sequence[Document], notices: Sequence[Document], shared: _Shared) -> Document:
    declared = shared.lab.characteristic(stream.characteristic)
    board = shared.board[stream.supplier, stream.product, stream.characteristic]
    own = [alert for alert in alerts if _names(alert) == _names(board)]
    charged = Counter(alert["kind"] for alert in own if alert["held_under"] is None)
    asked = totals([notice for notice in notices if _names(notice) == _names(board)])
    standing = Counter(lot.standing for lot in stream.lots)
    capability = shared.capability.get(stream.id, {})
    return {
        **{key: board[key] for key in ("supplier", "product", "characteristic", "unit")},
        "scale": str(declared.scale),
        "judged_by": declared.judged,
        "lots": len(stream.lots),
        "readings": stream.readings,
        **{name: standing[name] for name in DISPOSITIONS},
        **figures(stream.lots, stream.earlier, declared.unit, declared.scale),
        "level_now": board["level"],
        **{key: board[key] for key in NOW},
        "ppk_upper": capability.get("ppk_upper"),
        "ppk_why": capability.get("why", ""),
        "events": {str(kind): charged[kind] for kind in EVENTS},
        "alerts": charged.total(),
        "explained_by_bench": len(own) - charged.total(),
        "notices": asked["asked"],
        "notices_open": asked["open"],
        "mean_days_to_answer": asked["mean_days_to_answer"],
        "actions_worked": asked["worked"],
        "lot_list": [_lot(lot, shared.lab) for lot in stream.lots],
        "earlier_lot_list": [_lot(lot, shared.lab) for lot in stream.earlier],
    }


def _lot(lot: QuarterLot, lab: Lab) -> Document:
    row = lot.session
    return {
        "lot": lot.lot,
        "tested_at": stored_documents.iso(row["started_us"], lab.zone),
        "bags": row["bags"],
        "readings": row["readings"],
        "level": row["level_unit"],
        "worst": row["worst"],
        "judged": row["judged"],
        "verdict": row["verdict"],
        "conditioning": row["conditioning"],
        "standing": lot.standing,
    }


# All suppliers on one page


def overview(cards: Sequence[Document]) -> Document:
    """The page over all suppliers of a quarter, drawn from their cards: places, what moved, whom to talk to.

    Suppliers whose places are the same range stand in order of name: nothing tells them apart.
    """
    rows = sorted((_overview_row(card) for card in cards), key=_by_place)
    streams = [row for card in cards for row in card["streams"]]
    compared = [row for row in streams if row["direction"] != Direction.NOT_COMPARED]
    moved = [row for row in compared if row["direction"] != Direction.UNCLEAR]
    shared = (
        "lab",
        "weights",
        "quarter",
        "first_day",
        "last_day",
        "earlier_quarter",
        "drawn_up_at",
        "first_drawn_up_at",
        "finished",
    )
    return {
        **{key: cards[0][key] for key in shared},
        "corrected_since": sum(card["corrected_since"] for card in cards),
        "since_first_drawn_up": _summed([card["since_first_drawn_up"] for card in cards]),
        "rows": rows,
        "moved": sorted(moved, key=lambda row: (row["direction"] != Direction.NEARER, *_names(row))),
        "compared": len(compared),
        "streams": len(streams),
        "file_name": OVERVIEW_NAME,
    }


def _summed(changes: Sequence[Document | None]) -> Document | None:
    """What changed for any supplier; a supplier that is gone from the quarter has no card and is not in it."""
    known = [change for change in changes if change is not None]
    if not known:
        return None
    counted = {key: sum(change[key] for change in known) for key in known[0] if key != "other_figures"}
    return {**counted, "other_figures": not any(counted.values()) and any(change["other_figures"] for change in known)}


def _overview_row(card: Document) -> Document:
    directions = Counter(row["direction"] for row in card["streams"])
    return {
        "supplier": card["supplier"],
        "counts": card["counts"],
        "standing": card["standing"],
        "notices": {key: value for key, value in card["notices"].items() if key != "list"},
        "nearer": directions[Direction.NEARER],
        "away": directions[Direction.AWAY],
        "reasons": [reason for row in card["streams"] for reason in _reasons(row)],
    }


def _reasons(row: Document) -> list[Document]:
    """Why to talk about a stream: lots that failed, a level nearer to its limit, what moved, a breach that is likely."""
    found = [("fail", row["fail"]), ("nearer", int(row["direction"] == Direction.NEARER))]
    # A drift away from the limit is good news, which is told under who moved.
    worrying = [Kind.SPREAD, Kind.FORECAST] + ([Kind.DRIFT] if row["direction"] != Direction.AWAY else [])
    found += [(str(kind), row["events"][kind]) for kind in worrying]
    names = {key: row[key] for key in ("product", "characteristic")}
    return [{**names, "what": what, "count": count} for what, count in found if count]


def _by_place(row: Document) -> tuple[int, int, str]:
    standing = row["standing"]
    if not standing["placed"]:
        return sys.maxsize, sys.maxsize, row["supplier"]
    return standing["place_first"], standing["place_last"], row["supplier"]


# Names of files


def _file_names(connection: Connection) -> dict[str, str]:
    """A file name of each supplier's own: letters, digits and hyphens, with a mark wherever two could fall together."""
    suppliers = [
        str(row[0]) for row in connection.execute(text("SELECT DISTINCT supplier FROM stream ORDER BY supplier"))
    ]
    plain = {supplier: _plain(supplier) for supplier in suppliers}
    # Some file systems hold names apart by case, some don't: names that differ in case alone count as the same.
    taken = Counter(name.casefold() for name in plain.values()) + Counter([OVERVIEW_NAME, ""])
    return {supplier: _marked(supplier, name, taken[name.casefold()] > 1) for supplier, name in plain.items()}


def _plain(supplier: str) -> str:
    spelt = "".join(c if c.isascii() and c.isalnum() else "-" for c in supplier)
    return "-".join(part for part in spelt.split("-") if part)


def _marked(supplier: str, name: str, shared: bool) -> str:
    mark = sha256(supplier.encode()).hexdigest()[:8]
    return f"{name[:60]}-{mark}".lstrip("-") if shared or not name or len(name) > 60 or not supplier.isascii() else name
