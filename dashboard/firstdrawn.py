"""When the scorecards of a finished quarter were first drawn up, and what of it has changed since.

What a card rested on is noted once, in the store, with the digest of its lots. The time is that of the round which the
store had seen last, so that the first card and one drawn again from the same store are the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection, text

from dashboard.quarterlots import Quarter, QuarterLot, StreamLots, corrected_since, gather, quarter
from ingest.lab import Lab
from ingest.last_round import last_round, misdated
from ingest.store import Store

__all__ = ["changes", "note"]

Document = dict[str, Any]
Lots = dict[str, dict[str, str]]


def note(store: Store, lab: Lab, name: str) -> None:
    """Note what the scorecards of a quarter rest on, if it is over and nobody noted it before."""
    with store.reading() as connection:
        span, looked_us = quarter(name, lab), last_round(connection)
        if looked_us is None or looked_us < span.end_us or _noted(connection, name):
            return
    with store.writing() as connection:
        streams, looked_us = gather(connection, lab, span), last_round(connection)
        for wrong_us in misdated(connection):
            connection.exec_driver_sql("DELETE FROM drawn_quarter WHERE quarter = ? AND drawn_us = ?", (name, wrong_us))
        connection.exec_driver_sql(
            "INSERT INTO drawn_quarter (quarter, drawn_us, digest, lots) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
            (name, looked_us, _digest(streams), json.dumps(_lots(streams), ensure_ascii=False, sort_keys=True)),
        )


def changes(
    connection: Connection, span: Quarter, streams: Sequence[StreamLots], drawn_up_us: int
) -> tuple[int | None, Mapping[str, Document]]:
    """When a quarter was first drawn up, and what has changed since, by supplier.

    A finished quarter of which nothing is noted is drawn up for the first time now. None and nothing for a quarter that
    is not over.
    """
    if drawn_up_us < span.end_us:
        return None, {}
    suppliers = sorted({stream.supplier for stream in streams})
    row = _noted(connection, span.name)
    if row is None:
        return drawn_up_us, {supplier: _difference({}, {}, 0, other=False) for supplier in suppliers}
    drawn_us, digest, then = row
    now, corrected = _lots(streams), corrected_since(connection, span, drawn_us + 1)
    differ = digest != _digest(streams)
    return drawn_us, {
        supplier: _difference(then.get(supplier, {}), now.get(supplier, {}), corrected.get(supplier, 0), other=differ)
        for supplier in sorted({*suppliers, *then})
    }


def _noted(connection: Connection, name: str) -> tuple[int, str, Lots] | None:
    """What was noted of a quarter; what a round of a wrong clock made look finished is not believed."""
    row = connection.execute(
        text("SELECT drawn_us, digest, lots FROM drawn_quarter WHERE quarter = :name"), {"name": name}
    ).first()
    return (
        None
        if row is None or row.drawn_us in misdated(connection)
        else (row.drawn_us, row.digest, json.loads(row.lots))
    )


def _lots(streams: Sequence[StreamLots]) -> Lots:
    """How each lot of each stream stands, by supplier."""
    found: Lots = {}
    for stream in streams:
        own = found.setdefault(stream.supplier, {})
        for lot in stream.lots:
            own[json.dumps([stream.product, stream.characteristic, lot.lot], ensure_ascii=False)] = lot.standing
    return found


def _digest(streams: Sequence[StreamLots]) -> str:
    """The digest of all figures of the quarter's lots, of which the cards are made."""
    figures = [
        [stream.supplier, stream.product, stream.characteristic, *_figures(lot)]
        for stream in streams
        for lot in stream.lots
    ]
    return sha256(json.dumps(sorted(figures, key=lambda row: [str(cell) for cell in row])).encode()).hexdigest()


def _figures(lot: QuarterLot) -> list[object]:
    keys = ("started_us", "bags", "readings", "level_unit", "worst", "judged", "bag_variance", "reading_variance")
    return [lot.lot, lot.standing, *(lot.session[key] for key in keys)]


def _difference(then: Mapping[str, str], now: Mapping[str, str], corrected: int, *, other: bool) -> Document:
    found = {
        "readings_corrected": corrected,
        "lots_added": len(now.keys() - then.keys()),
        "lots_gone": len(then.keys() - now.keys()),
        "verdicts_changed": sum(then[lot] != now[lot] for lot in then.keys() & now.keys()),
    }
    # Figures can move without any of these: a limit declared again, or another way of working them out.
    return {**found, "other_figures": other and not any(found.values())}
