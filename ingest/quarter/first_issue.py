"""When the scorecards of a finished quarter were first drawn up, and what has changed in the quarter since.

The first round after the end of a quarter draws them up: it notes how each lot counts, with a digest of the figures. Reading
or downloading a card writes nothing, so every card of the same store is the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from hashlib import sha256
from typing import TypedDict

from sqlalchemy import Connection, delete, text

from ingest.common.instants import from_microseconds
from ingest.config.lab import Lab
from ingest.documents.scorecard import FirstIssueChanges
from ingest.quarter.lots import Quarter, QuarterLot, StreamLots, corrected_since, gather, quarter_before, quarter_on
from ingest.store import schema
from ingest.store.last_round import last_round, misdated
from ingest.store.store import Store, insert_many

__all__ = ["changes", "is_from_history", "record_first_issue"]


class _Note(TypedDict):
    """How a lot of a stream stood, and the verdict of each of its tests by its start."""

    standing: str
    verdicts: dict[str, str]


# By supplier; a note of a version before 0.7.0 has the standing alone.
Lots = dict[str, dict[str, _Note | str]]


def record_first_issue(store: Store, lab: Lab) -> None:
    """Note how the lots count in each quarter that is over, has lots and was not noted before."""
    with store.reading() as connection:
        drawn_us, wrong = last_round(connection), misdated(connection)
        found = [(span.name, gather(connection, lab, span)) for span in _finished(connection, lab, drawn_us)]
    rows = [
        (name, drawn_us, _digest(streams), json.dumps(_lots(streams), ensure_ascii=False, sort_keys=True))
        for name, streams in found
        if streams
    ]
    if rows:
        with store.writing() as connection:
            connection.execute(delete(schema.drawn_quarter).where(schema.drawn_quarter.c.drawn_us.in_(wrong)))
            insert_many(
                connection,
                "INSERT INTO drawn_quarter (quarter, drawn_us, digest, lots) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
                rows,
            )


def _finished(connection: Connection, lab: Lab, looked_us: int | None) -> Iterator[Quarter]:
    """The quarters since the first test that were over at a time and are not noted, from the last one back."""
    first_us = connection.execute(text("SELECT min(started_us) FROM session")).scalar()
    if looked_us is None or first_us is None:
        return
    looked = from_microseconds(looked_us).astimezone(lab.zone)
    span = quarter_before(quarter_on(looked.date(), lab), lab)
    while span.end_us > first_us:
        if _noted(connection, span.name) is None:
            yield span
        span = quarter_before(span, lab)


def changes(
    connection: Connection, span: Quarter, streams: Sequence[StreamLots], drawn_up_us: int
) -> tuple[int | None, Mapping[str, FirstIssueChanges]]:
    """When a quarter was first drawn up, and what has changed since, by supplier.

    A finished quarter of which nothing is noted is drawn up for the first time by the round that was the last. None and nothing for a quarter that
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
    """What was noted of a quarter; a note by a round under a wrong clock does not count."""
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
            key = json.dumps([stream.product, stream.characteristic, lot.lot], ensure_ascii=False)
            own[key] = {
                "standing": lot.standing,
                "verdicts": {str(started): verdict for started, verdict in lot.verdicts.items()},
            }
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
    one = lot.session
    return [
        lot.lot, lot.standing, one["started_us"], one["bags"], one["readings"], one["level_unit"], one["worst"],
        one["judged"], one["bag_variance"], one["reading_variance"],
    ]  # fmt: skip


def _difference(
    then: Mapping[str, _Note | str], now: Mapping[str, _Note | str], corrected: int, *, other: bool
) -> FirstIssueChanges:
    added, gone = len(now.keys() - then.keys()), len(then.keys() - now.keys())
    verdicts = sum(_changed_verdicts(then[lot], now[lot]) for lot in then.keys() & now.keys())
    return {
        "readings_corrected": corrected,
        "lots_added": added,
        "lots_gone": gone,
        "verdicts_changed": verdicts,
        # Figures can move without any of these: a limit declared again, or another way to work them out.
        "other_figures": other and not (corrected or added or gone or verdicts),
    }


def _changed_verdicts(then: _Note | str, now: _Note | str) -> int:
    """The tests of a lot with another verdict; at least one where the lot counts otherwise."""
    was, old = (then, {}) if isinstance(then, str) else (then["standing"], then["verdicts"])
    stands, new = (now, {}) if isinstance(now, str) else (now["standing"], now["verdicts"])
    return max(int(was != stands), sum(old[test] != new[test] for test in old.keys() & new.keys()))


def is_from_history(span: Quarter, drawn_us: int | None, lab: Lab) -> bool:
    """Whether the card of a quarter is of an imported history: the first round that had its lots came after the next quarter, too."""
    return drawn_us is not None and drawn_us >= quarter_on(span.last + timedelta(days=1), lab).end_us
