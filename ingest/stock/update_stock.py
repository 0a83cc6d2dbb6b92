"""Bring the shelf up to date with a round: films whose tests changed, and lots whose counts changed."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Callable, Collection
from functools import cache, partial

from sqlalchemy import Connection

from ingest.alerts.shared_shift_alerts import known_findings
from ingest.audit.limit_entries import with_entered_limits
from ingest.common.json_text import as_json
from ingest.common.streams import Stream
from ingest.config.lab import Lab
from ingest.stock.film_age import film_age
from ingest.stock.film_tests import removed_humidity
from ingest.stock.shelf_lots import (
    are_counted,
    forget_film,
    held_lots,
    law_to_json,
    put_leading,
    stored_humidity,
    write_lots,
    write_untested,
)
from ingest.stock.stock_alerts import write_stock_alerts
from ingest.store.store import get_meta, insert_many, put_meta

__all__ = ["SHELF_STATE", "update_stock"]

# What every film depends on beside its tests: the bench findings, and whether lots are counted.
SHELF_STATE = "shelf_state"

# `removed_humidity` by product and characteristic.
HumidityOf = Callable[[str, str], tuple[float, float] | None]


def update_stock(connection: Connection, lab: Lab, evaluated: set[int]) -> list[str]:
    """Derive the films of the evaluated streams and the lots on the shelf again; the ids of the alerts that are new."""
    lab = with_entered_limits(connection, lab)
    findings = known_findings(connection)
    counted = are_counted(connection)
    stale = {int(lot) for lot in connection.exec_driver_sql("SELECT lot_id FROM stale_stock").scalars()}
    connection.exec_driver_sql("DELETE FROM stale_stock")
    about = [dataclasses.asdict(one) for one in findings]
    state = hashlib.sha256(json.dumps([about, counted, str(lab.zone)]).encode()).hexdigest()
    everything = get_meta(connection, SHELF_STATE) != state
    put_meta(connection, SHELF_STATE, state)
    # The effect comes from all streams of a product: it is summed up once for all of its films.
    humidity_of = cache(partial(removed_humidity, connection, lab))
    streams = _streams(connection, lab, evaluated, stale, humidity_of, everything=everything)
    if not streams and not stale and not everything:
        return write_stock_alerts(connection, lab, counted=counted)
    lots = stale | _lots_of(connection, [stream.id for stream in streams])
    if everything and counted:
        lots |= {int(lot) for lot in connection.exec_driver_sql("SELECT DISTINCT lot_id FROM stock_count").scalars()}
    held = held_lots(connection, lots, counted=counted)
    changed = set(stale)
    for stream in streams:
        film = film_age(connection, lab, stream, findings, humidity_of(stream.product, stream.characteristic))
        if film is None:
            changed |= forget_film(connection, stream.id)
            continue
        laws = {
            "closed": law_to_json(film.closed),
            "opened": law_to_json(film.opened),
            "humidity": film.tests.humidity,
        }
        connection.exec_driver_sql(
            "INSERT INTO film_age (stream_id, document, law) VALUES (?, ?, ?) "
            "ON CONFLICT (stream_id) DO UPDATE SET document = excluded.document, law = excluded.law",
            (stream.id, as_json(film.document), as_json(laws)),
        )
        changed |= write_lots(connection, lab, film, held)
    insert_many(
        connection, "DELETE FROM shelf_lot WHERE stream_id = 0 AND lot_id = ?", [(lot,) for lot in sorted(lots)]
    )
    write_untested(connection, held if counted else {})
    put_leading(connection, changed)
    return write_stock_alerts(connection, lab, counted=counted)


def _streams(
    connection: Connection,
    lab: Lab,
    evaluated: set[int],
    stale: Collection[int],
    humidity_of: HumidityOf,
    *,
    everything: bool,
) -> list[Stream]:
    """The streams to derive again: evaluated ones, those with a lot whose count changed, and those whose effect of humidity changed."""
    rows = connection.exec_driver_sql("SELECT id, supplier, product, characteristic FROM stream ORDER BY id")
    streams = [Stream(*row) for row in rows]
    films = [
        stream
        for stream in streams
        if lab.is_declared(stream.characteristic) and not lab.is_check_standard(stream.supplier, stream.product)
    ]
    if everything:
        return films
    touched = set(evaluated)
    for lot in stale:
        touched |= set(connection.exec_driver_sql("SELECT stream_id FROM session WHERE lot_id = ?", (lot,)).scalars())
    touched |= _with_another_humidity(connection, films, evaluated, humidity_of)
    return [stream for stream in films if stream.id in touched]


def _with_another_humidity(
    connection: Connection, films: list[Stream], evaluated: set[int], humidity_of: HumidityOf
) -> set[int]:
    """The streams without a new lot whose product shows another effect of humidity than their films were derived with."""
    products = {(stream.product, stream.characteristic) for stream in films if stream.id in evaluated}
    others = {
        stream.id: humidity_of(stream.product, stream.characteristic)
        for stream in films
        if stream.id not in evaluated and (stream.product, stream.characteristic) in products
    }
    derived = stored_humidity(connection, others)
    return {stream for stream, effect in others.items() if stream in derived and derived[stream] != effect}


def _lots_of(connection: Connection, streams: list[int]) -> set[int]:
    lots: set[int] = set()
    for stream in streams:
        rows = connection.exec_driver_sql("SELECT DISTINCT lot_id FROM session WHERE stream_id = ?", (stream,))
        lots |= {int(lot) for lot in rows.scalars()}
    return lots
