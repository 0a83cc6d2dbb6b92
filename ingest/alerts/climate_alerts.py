"""Alerts about readings without valid conditioning: one an excursion and chamber."""

from __future__ import annotations

from datetime import tzinfo
from typing import cast

import pandas as pd
from sqlalchemy import Connection

from ingest.common.instants import HOUR_US, from_microseconds, printed_day
from ingest.common.text import capitalised, printable
from ingest.config.lab import Lab
from ingest.documents.fields import ConditioningState
from ingest.evaluation.alert_text import place_named
from ingest.evaluation.stream_alerts import Alert, alert_id, write_alerts
from spc.vocabulary.enums import Grade, Kind

__all__ = ["watch_climate"]


INVALID_SQL = """
SELECT s.chamber_id, c.text, s.conditioning, s.started_us, s.excursion_us, l.supplier, l.lot, t.characteristic,
CASE WHEN s.conditioning = 'short' AND s.clock = 'specimen' THEN g.text ELSE '' END, s.loaded_us, s.clock
FROM session s JOIN label c ON c.id = s.chamber_id JOIN label g ON g.id = s.load_id
JOIN lot l ON l.id = s.lot_id JOIN stream t ON t.id = s.stream_id
WHERE s.conditioning NOT IN ('valid', 'instrument') ORDER BY s.chamber_id, s.conditioning, s.started_us, l.lot
"""
COLUMNS = (
    "chamber_id",
    "chamber",
    "state",
    "started_us",
    "excursion_us",
    "supplier",
    "lot",
    "characteristic",
    "late_load",
    "loaded_us",
    "clock",
)
CONDITIONS = {
    "humid": "was too humid",
    "dry": "was too dry",
    "warm": "was too warm",
    "cold": "was too cold",
    "short": "does not show enough hours",
}


def watch_climate(connection: Connection, lab: Lab) -> list[str]:
    """Derive the `climate` alerts again; the ids that were not there before."""
    before = set(connection.exec_driver_sql("SELECT id FROM alert WHERE kind = 'climate'").scalars())
    connection.exec_driver_sql("DELETE FROM alert WHERE kind = 'climate'")
    rows = [tuple(row) for row in connection.exec_driver_sql(INVALID_SQL)]
    sessions = pd.DataFrame(rows, columns=list(COLUMNS))
    alerts = [_alert(excursion, lab.zone) for excursion in _excursions(sessions, lab)]
    write_alerts(connection, alerts)
    return [alert.id for alert in alerts if alert.id not in before]


def _excursions(sessions: pd.DataFrame, lab: Lab) -> list[pd.DataFrame]:
    """The excursions: sessions of one chamber and state, and of one load that went in late, whose doubtful times overlap."""
    if sessions.empty:
        return []
    rules = {declared.name: lab.conditioning_for(declared.name) for declared in lab.characteristics}
    hours = {name: 0.0 if rule is None else rule.hours for name, rule in rules.items()}
    required = (sessions["characteristic"].map(hours) * HOUR_US).astype("int64")
    since = sessions["excursion_us"].astype("Int64").fillna(sessions["started_us"] - required).astype("int64")
    found = []
    for _, own in sessions.assign(since=since).groupby(["chamber_id", "state", "late_load"], sort=False):
        ordered = own.sort_values(["since", "started_us"], kind="stable")
        reached = ordered["started_us"].cummax().shift()
        found += [part for _, part in ordered.groupby((ordered["since"] > reached).cumsum())]
    return found


def _alert(excursion: pd.DataFrame, zone: tzinfo) -> Alert:
    first = excursion.sort_values(["started_us", "lot"], kind="stable").iloc[0]
    chamber, state = str(first["chamber"]), str(first["state"])
    count = len(excursion)
    place = place_named("chamber", chamber or "not named")
    sessions = f"{count} test session{'s' if count > 1 else ''}"
    if first["late_load"]:
        # The chamber was right all the time: the load had not been in it long enough.
        entry = from_microseconds(int(first["loaded_us"])).astimezone(zone)
        load = place_named("load", str(first["late_load"]))
        finding = f"{sessions} too early: {load} went into {place} on {printed_day(entry)}, {entry:%H:%M}"
    elif state == "unlogged":
        # Without a record of the load only the log of the chamber can be what is missing.
        loaded = (excursion["clock"] == "specimen").any()
        cause = f"the log of {place} is missing or has a gap" + (", or the load had been taken out" if loaded else "")
        finding = f"Nothing shows how dry the bags were before {sessions}: {cause}. Bring the missing record or test again; until then"
    else:
        finding = f"{capitalised(place)} {CONDITIONS[state]} before {sessions}"
    mark = "" if state == "unlogged" else ";"
    effect = "it sets no limit and raises" if count == 1 else "they set no limit and raise"
    return Alert(
        id=alert_id("climate", chamber, state, str(int(first["started_us"]))),
        kind=Kind.CLIMATE,
        grade=Grade.NOTE,
        raised_us=int(first["started_us"]),
        message=printable(f"{finding}{mark} {effect} no alert against a supplier"),
        evidence={
            "what": Kind.CLIMATE,
            "chamber": chamber,
            "state": cast(ConditioningState, state),
            "sessions": count,
            "since_us": int(excursion["since"].min()),
            "lots": sorted({f"{row.supplier} {row.lot}" for row in excursion.itertuples()})[:50],
        },
    )
