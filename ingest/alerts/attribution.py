"""Alerts that the bench explains: closed under the bench alert, visible, and open again when it goes.

A stream is evaluated a second time with what the bench added taken out of its levels, and once more with the most that it may
have added. An alert that is missing from either is the bench's; one that is in both stays the supplier's, however much the
bench moved as well.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection

from ingest.alerts.shared_shift_points import points_of
from ingest.common.streams import Stream
from ingest.config.lab import Lab
from ingest.evaluation.evaluate_streams import evaluate_without
from ingest.evaluation.stream_alerts import state_after_entries
from ingest.store.store import get_meta, put_meta
from spc.shared_shift.check_standard import standard_shift
from spc.shared_shift.finding import Finding, explain
from spc.stream.alert_episodes import QUIET_LOTS
from spc.stream.evaluate import Evaluation
from spc.vocabulary.enums import AlertState, Kind

__all__ = ["ATTRIBUTED_TO", "attribute_explained"]

# What a shift of the level can bring about. A breach of a limit is a fact about a lot and stays for a person to judge;
# more scatter is not made by a gain.
ATTRIBUTABLE_KINDS = (Kind.POINT, Kind.PATTERN, Kind.DRIFT, Kind.FORECAST)

ATTRIBUTED_TO = "held_by"


@dataclass(frozen=True, slots=True)
class _Told:
    """An alert of a stream, and its episode: kind, direction, and the times between which it has its evidence."""

    id: str
    kind: str
    direction: int
    since_us: int
    raised_us: int
    latest_us: int
    evidence: dict[str, object]


@dataclass(frozen=True, slots=True, eq=False)
class _Standard:
    """A check standard that drifts by itself: its alert, since when, and until when ("closed": the last such lot)."""

    alert: str
    stream: int
    since_us: int
    until_us: float
    tested_us: np.ndarray
    level: np.ndarray

    def shift(self, moments_us: np.ndarray) -> np.ndarray:
        """How far it is from usual at each moment, in the charted scale."""
        return standard_shift(self.tested_us, self.level, float(self.since_us), moments_us)


def attribute_explained(
    connection: Connection, lab: Lab, found: Sequence[tuple[str, Finding]], only: set[int] | None
) -> None:
    """Hold the alerts of films and check standards that a shift of the bench explains.

    Parameters
    ----------
    found : sequence of (str, Finding)
        The findings of shifts in common, each with the id of its alert.
    only : set of int or None
        The streams to look at; None for all, where what the bench did has changed.
    """
    standards = _standards(connection)
    signature = _signature(found, standards)
    if signature != get_meta(connection, ATTRIBUTED_TO):
        only = None
        put_meta(connection, ATTRIBUTED_TO, signature)
    _let_go(connection, only)
    if found or standards:
        _hold_all(connection, lab, found, standards, only)


def _hold_all(
    connection: Connection,
    lab: Lab,
    found: Sequence[tuple[str, Finding]],
    standards: Sequence[_Standard],
    only: set[int] | None,
) -> None:
    # Where a check standard was made tells whom its drift reaches: its points are read in any case.
    points = points_of(connection, lab, None if only is None else only | {one.stream for one in standards})
    told = explain(points, [finding for _, finding in found])
    names = np.array(["", *(alert for alert, _ in found)], dtype=object)
    points = points.assign(common=told["common"], most=told["most"], alert=names[told["finding"].to_numpy() + 1])
    for standard in standards:
        points = _with_standard(points, standard)
    touched = points["alert"].ne("").groupby(points["stream"]).transform("any")
    for number, own in points[touched].groupby("stream"):
        if only is None or number in only:
            first = own.iloc[0]
            stream = Stream(int(str(number)), first["supplier"], first["product"], first["characteristic"])
            _hold(connection, lab, stream, own)


def _signature(found: Sequence[tuple[str, Finding]], standards: Sequence[_Standard]) -> str:
    """What is explained by what: a change looks at all streams again."""
    sizes = [
        (alert, {name: [round(size.films, 4), round(size.check, 4)] for name, size in finding.sizes.items()})
        for alert, finding in found
    ]
    shifts = [(one.alert, one.until_us, one.shift(one.tested_us).round(4).tolist()) for one in standards]
    return json.dumps([sizes, shifts])


def _let_go(connection: Connection, only: set[int] | None) -> None:
    """Give back what was held: the evidence is weighed anew."""
    rows = connection.exec_driver_sql(
        "SELECT id, stream_id, evidence FROM alert WHERE held_under IS NOT NULL"
    ).fetchall()
    for name, stream, evidence in rows:
        if only is None or stream in only:
            found = {key: value for key, value in json.loads(evidence).items() if key != "explained_by"}
            state = AlertState.CLOSED if found.get("closed_because") else state_after_entries(connection, name)
            connection.exec_driver_sql(
                "UPDATE alert SET held_under = NULL, state = ?, evidence = ? WHERE id = ?",
                (state, json.dumps(found, ensure_ascii=False, allow_nan=False), name),
            )


# One stream


def _hold(connection: Connection, lab: Lab, stream: Stream, points: pd.DataFrame) -> None:
    told = _alerts_of(connection, stream.id)
    explained = [(alert, *found) for alert in told if (found := _suspected(alert, points))[0]]
    if not explained:
        return
    looks = evaluate_without(connection, lab, stream, _added(points))
    witness = lab.is_check_standard(stream.supplier, stream.product)
    for alert, under, moved_us in explained:
        # A check standard is part of the finding's evidence and has no cause of its own beside it.
        if witness or not all(_stands(alert, moved_us, again) for again in looks):
            connection.exec_driver_sql(
                "UPDATE alert SET held_under = ?, state = ?, evidence = ? WHERE id = ?",
                (
                    under,
                    AlertState.CLOSED,
                    json.dumps({**alert.evidence, "explained_by": under}, ensure_ascii=False, allow_nan=False),
                    alert.id,
                ),
            )


def _added(points: pd.DataFrame) -> list[dict[int, float]]:
    """What the bench added to each session: the likeliest, and the most that it may have added where that is more."""
    common, most = points["common"].to_numpy(np.float64), points["most"].to_numpy(np.float64)
    sizes = [common, most] if (common != most).any() else [common]
    return [dict(zip(points["session"].astype(int), size.tolist(), strict=True)) for size in sizes]


def _alerts_of(connection: Connection, stream: int) -> list[_Told]:
    rows = connection.exec_driver_sql(
        "SELECT id, kind, raised_us, evidence FROM alert WHERE stream_id = ? ORDER BY raised_us, id", (stream,)
    )
    told = [_told(*row) for row in rows]
    return [alert for alert in told if alert.kind in ATTRIBUTABLE_KINDS]


def _told(name: str, kind: str, raised_us: int, evidence: str) -> _Told:
    found = json.loads(evidence)
    since = found["since_us"]
    return _Told(
        id=name,
        # An alert on a check standard is of the kind `bench`; its evidence keeps what it is made of.
        kind=found["what"],
        direction=found["direction"],
        since_us=raised_us if since is None else min(since, raised_us),
        raised_us=raised_us,
        latest_us=found["latest_tested_us"],
        evidence=found,
    )


def _suspected(alert: _Told, points: pd.DataFrame) -> tuple[str, int]:
    """The latest bench alert that had a hand in an alert's lots or in those just before, and its first such lot.

    ("", 0) where none had. A bench that is set right moves levels back: the lots that it had moved then lie before the
    alert, and their direction is the other one. Whether the bench made the alert is told by the second look.
    """
    tested = points["tested_us"].to_numpy(np.int64)
    first = max(int(np.searchsorted(tested, alert.since_us)) - QUIET_LOTS, 0)
    own = points.iloc[first : int(np.searchsorted(tested, alert.raised_us, side="right"))]
    own = own[own["alert"] != ""]
    return (str(own["alert"].iloc[-1]), int(own["tested_us"].iloc[0])) if len(own) else ("", 0)


def _stands(alert: _Told, moved_us: int, again: Evaluation) -> bool:
    """Whether the level has moved that way without the bench too, as a point, a drift or otherwise.

    What was over before the bench moved was an alert of its own, and is none for what came then.
    """
    tested = again.points["started_us"][again.points["valid"]]
    until = int(np.searchsorted(tested, alert.latest_us, side="right")) - 1 + QUIET_LOTS
    return any(
        episode.kind in ATTRIBUTABLE_KINDS
        and episode.direction == alert.direction
        and episode.opened <= until
        and tested[episode.latest] >= max(alert.since_us, moved_us)
        for episode in again.episodes
    )


# Check standards that have an alert of their own


def _standards(connection: Connection) -> list[_Standard]:
    """The check standards that drift by themselves, where no shift in common was found."""
    alerts = connection.exec_driver_sql(
        "SELECT id, stream_id, evidence FROM alert WHERE kind = 'bench' AND stream_id IS NOT NULL ORDER BY raised_us, id"
    ).fetchall()
    found = [_standard(connection, str(name), int(stream), json.loads(evidence)) for name, stream, evidence in alerts]
    return [one for one in found if one is not None]


def _standard(connection: Connection, alert: str, stream: int, found: dict[str, Any]) -> _Standard | None:
    rows = connection.exec_driver_sql(
        "SELECT s.started_us, s.level FROM own_score o JOIN session s ON s.id = o.session_id WHERE o.stream_id = ? "
        "ORDER BY s.started_us",
        (stream,),
    ).fetchall()
    if found["what"] != Kind.DRIFT or found["since_us"] is None or not rows:
        return None
    tested, level = (np.array(column, dtype=np.float64) for column in zip(*rows, strict=True))
    until = np.inf if not found["closed_because"] else float(found["latest_tested_us"])
    return _Standard(alert, stream, int(found["since_us"]), until, tested, level)


def _with_standard(points: pd.DataFrame, standard: _Standard) -> pd.DataFrame:
    """Add what a check standard explains where no shift in common does."""
    own = points[points["stream"] == standard.stream]
    moment = points["tested_us"].to_numpy(np.float64)
    held = (points["most"] == 0.0).to_numpy(bool) & ~points["is_check_standard"].to_numpy(bool)
    held &= (points["quantity"] == own["quantity"].iloc[0]).to_numpy(bool) & _same_place(points, own)
    held &= (moment >= standard.since_us) & (moment <= standard.until_us)
    common, most = (points[name].to_numpy(np.float64, copy=True) for name in ("common", "most"))
    named = points["alert"].to_numpy(object, copy=True)
    common[held], named[held] = standard.shift(moment[held]), standard.alert
    most[held] = common[held]
    return points.assign(common=common, most=most, alert=named)


def _same_place(points: pd.DataFrame, own: pd.DataFrame) -> np.ndarray:
    """Points on the instruments of a check standard; on its chambers where no instrument is named."""
    for column in ("instrument", "chamber"):
        names = set(own[column]) - {""}
        if names:
            return points[column].isin(names).to_numpy(bool)
    return np.zeros(len(points), dtype=bool)
