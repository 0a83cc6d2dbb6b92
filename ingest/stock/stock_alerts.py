"""Alerts about lots in stock that come near their date: kind `forecast`, outside the budget of false alerts.

"Near" is counted from the last test or count in the store, not from the clock. Without counts there are no such alerts, because
it is unknown which of the tested lots are still in stock.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time

from sqlalchemy import Connection

from ingest.common.instants import day_of, local_day, microseconds, printed_day
from ingest.common.text import printable
from ingest.config.lab import Lab
from ingest.documents.alert import STOCK_ID, StoredStockEvidence
from ingest.evaluation.alert_text import dated_lots
from ingest.evaluation.stream_alerts import Alert, alert_id, write_alerts
from spc.vocabulary.enums import Grade, Kind

__all__ = ["STOCK_ALERTS", "write_stock_alerts"]

# Selects the alerts of lots in stock and none of a stream.
STOCK_ALERTS = "kind = 'forecast' AND stream_id IS NULL"
NEAR_SQL = """
SELECT l.supplier, l.product, t.characteristic, l.lot, s.keep_day, s.expected_day, s.tested_day, s.quantity, s.unit,
CASE WHEN s.word = 'passed' OR s.keep_day < ? THEN 1 ELSE 0 END, s.word,
(SELECT min(k.counted_day) FROM stock_count k WHERE k.lot_id = s.lot_id AND (k.quantity > 0 OR k.is_counted = 0))
FROM shelf_lot s JOIN lot l ON l.id = s.lot_id JOIN stream t ON t.id = s.stream_id
WHERE s.leads = 1 AND s.keep_day <= ? AND s.word IN ('dated', 'passed') ORDER BY l.supplier, l.product, t.characteristic, s.keep_day, l.lot
"""
MOST_LOTS = 20


@dataclass(frozen=True, slots=True)
class _Near:
    """A lot near its date; days since 1970."""

    lot: str
    keep_day: int
    expected_day: int | None
    tested_day: int
    quantity: float | None
    unit: str
    is_passed: int
    word: str
    counted_day: int | None


def write_stock_alerts(connection: Connection, lab: Lab, *, counted: bool) -> list[str]:
    """Derive the alerts of lots in stock again; the ids that were not there before."""
    before = set(connection.exec_driver_sql(f"SELECT id FROM alert WHERE {STOCK_ALERTS}").scalars())
    connection.exec_driver_sql(f"DELETE FROM alert WHERE {STOCK_ALERTS}")
    today = _last_known_day(connection, lab)
    if not counted or today is None:
        return []
    lead = round(7 * lab.alerts.horizon_weeks)
    films: dict[tuple[str, str, str], list[_Near]] = {}
    for row in connection.exec_driver_sql(NEAR_SQL, (today, today + lead)):
        films.setdefault((row[0], row[1], row[2]), []).append(_Near(*tuple(row)[3:]))
    alerts = [_alert(lab, film, lots, today, lead) for film, lots in films.items()]
    write_alerts(connection, alerts)
    return [alert.id for alert in alerts if alert.id not in before]


def _last_known_day(connection: Connection, lab: Lab) -> int | None:
    tested = connection.exec_driver_sql("SELECT max(started_us) FROM session").scalar()
    counted = connection.exec_driver_sql("SELECT max(counted_day) FROM stock_count").scalar()
    days = [] if tested is None else [local_day(int(tested), lab.zone)]
    return max([*days, *([] if counted is None else [int(counted)])], default=None)


def _alert(lab: Lab, film: tuple[str, str, str], lots: list[_Near], today: int, lead: int) -> Alert:
    """One alert a film, about its lots near their date; the first of them names it, so that its successor is a new alert."""
    supplier, product, characteristic = film
    first = lots[0]
    passed = sum(one.is_passed for one in lots)
    quantities = [one.quantity for one in lots if one.quantity is not None]
    evidence: StoredStockEvidence = {
        "what": Kind.FORECAST,
        "form": "stock",
        "lots": [one.lot for one in lots[:MOST_LOTS]],
        "lots_near": len(lots),
        "lots_passed": passed,
        "keep_until": day_of(first.keep_day).isoformat(),
        "expected_on": None if first.expected_day is None else day_of(first.expected_day).isoformat(),
        "tested_on": day_of(first.tested_day).isoformat(),
        "quantity": sum(quantities) if quantities else None,
        "stock_unit": first.unit,
        "closed_because": None,
    }
    # Known from the day on which the lot was near its date, tested, and listed by a first count, whichever is the latest.
    raised = day_of(max(first.keep_day - lead, first.tested_day, first.counted_day or 0))
    return Alert(
        id=f"{STOCK_ID}{alert_id(*film, first.lot)}",
        kind=Kind.FORECAST,
        grade=Grade.LOOK if passed else Grade.NOTE,
        supplier=supplier,
        product=product,
        characteristic=characteristic,
        lot=first.lot,
        raised_us=microseconds(datetime.combine(raised, time(12), tzinfo=lab.zone).astimezone(UTC)),
        message=printable(_message(film, lots, passed, evidence["quantity"], today, lab.alerts.horizon_weeks)),
        evidence=evidence,
    )


def _message(
    film: tuple[str, str, str], lots: list[_Near], passed: int, quantity: float | None, today: int, weeks: float
) -> str:
    """The sentence with the day from which it counts: pages and papers count from the day on which they are read, and name another end."""
    supplier, product, characteristic = film
    first = lots[0]
    amount = "" if quantity is None else f" ({quantity:,.0f} {first.unit})".replace(" )", ")")
    kept = f"to be kept until {printed_day(day_of(first.keep_day))}"
    until = kept if first.word == "dated" else "no time left at its last test"
    near = dated_lots(passed, len(lots) - passed, f"in the {weeks:g} weeks from {printed_day(day_of(today))}")
    return (
        f"{supplier} {product}, {characteristic.replace('_', ' ')}: in stock, {near}{amount}; "
        f"first lot {first.lot}, {until}"
    )
