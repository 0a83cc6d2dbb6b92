"""Attribution of alerts to the bench: visible under the finding, and the supplier's again once it no longer explains them.

A stream is evaluated a second time with the bench's share taken out of its levels, and once more with the most that this
share may be. An alert that is missing from either is attributed to the finding; an alert that is in both stays the supplier's,
and so does one whose stream is likely to breach its limit with the likeliest share taken out. The state of an alert does not
change with its attribution, unless the finding has ended and the level of the stream came back with it: then it closes.
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
from ingest.audit.lot_decisions import LotAlert
from ingest.common.instants import WEEK_US, day_text, weeks_to_us
from ingest.common.streams import Stream
from ingest.config.lab import Lab
from ingest.evaluation.evaluate_streams import evaluate_without
from ingest.evaluation.stream_alerts import state_after
from ingest.store.store import get_meta, put_meta
from spc.detection.detector import SHARES
from spc.shared_shift.check_standard import standard_shift
from spc.shared_shift.finding import Finding, explain
from spc.shared_shift.moving_share import MovingShare, moving_share
from spc.stream.alert_episodes import LOTS, is_back
from spc.stream.evaluate import Evaluation
from spc.vocabulary.enums import AlertState, Kind

__all__ = [
    "ATTRIBUTED_TO",
    "MOVING_WEEKS",
    "SHARE_WEEKS",
    "AttributedShare",
    "attribute_explained",
    "attributed_share",
    "deliveries_again",
    "moving_streams",
]

# What a shift of the level can bring about. A breach of a limit is a fact about a lot and stays for a person to judge;
# a gain does not widen the scatter.
ATTRIBUTABLE_KINDS = (Kind.POINT, Kind.PATTERN, Kind.DRIFT, Kind.FORECAST)

# The direction of an alert on a level that wanders: it stands for moves both ways.
WANDERS = 0

ATTRIBUTED_TO = "held_by"
# The alerts that were attributed when the last round ended, and those that became the supplier's again, each with its finding.
ATTRIBUTED, RAISED_AGAIN = "attributed_alerts", "alerts_raised_again"

CAME_BACK = "the bench came back on "

SHARE_WEEKS, MOVING_WEEKS = 26, 52
# Where findings take a quarter of the alerts the bench is either in trouble or blamed for the suppliers' drifts (common
# practice); of fewer alerts than these a share shows little.
HIGH_SHARE, FEWEST_ALERTS = 0.25, 8


@dataclass(frozen=True, slots=True)
class AttributedShare:
    """The alerts of the last half year on films that a shift of the level can raise, and those attributed to findings."""

    alerts: int
    attributed: int

    @property
    def is_high(self) -> bool:
        """Whether a person should check that the findings have a cause on the bench."""
        return self.alerts >= FEWEST_ALERTS and self.attributed >= HIGH_SHARE * self.alerts


@dataclass(frozen=True, slots=True)
class _Attributable:
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
        """Its distance from the centre line at each moment, in the charted scale."""
        return standard_shift(self.tested_us, self.level, float(self.since_us), moments_us)


def attribute_explained(
    connection: Connection, lab: Lab, findings: Sequence[tuple[str, Finding]], only: set[int] | None
) -> list[str]:
    """Attribute the alerts of films and check standards that a shift of the bench explains.

    Parameters
    ----------
    findings : sequence of (str, Finding)
        The shared shifts, each with the id of its alert.
    only : set of int or None
        The streams to look at; None for all, where what the bench did has changed.

    Returns
    -------
    list of str
        The alerts that were attributed before this round and are the supplier's again.
    """
    standards = _standards(connection)
    signature = _signature(findings, standards)
    if signature != get_meta(connection, ATTRIBUTED_TO):
        only = None
        put_meta(connection, ATTRIBUTED_TO, signature)
    _withdraw(connection, only)
    if findings or standards:
        _attribute_all(connection, lab, findings, standards, only)
    return _raised_again(connection)


def attributed_share(connection: Connection) -> AttributedShare:
    """The share of the alerts of the last half year that findings attribute to the bench."""
    kinds = ", ".join(f"'{kind}'" for kind in ATTRIBUTABLE_KINDS)
    alerts, attributed = connection.exec_driver_sql(
        f"SELECT count(*), count(held_under) FROM alert WHERE stream_id IS NOT NULL AND kind IN ({kinds}) AND raised_us >= "
        "(SELECT max(raised_us) FROM alert WHERE stream_id IS NOT NULL OR kind <> 'forecast') - ?",
        (SHARE_WEEKS * WEEK_US,),
    ).one()
    return AttributedShare(int(alerts), int(attributed))


def moving_streams(connection: Connection, lab: Lab) -> MovingShare:
    """The share of the streams of films that moved by themselves within the last year, as the alerts show it.

    Alerts that are attributed to the bench do not count, and as many as steady streams raise by chance are taken off.
    """
    first_us = connection.exec_driver_sql("SELECT max(tested_us) FROM own_score").scalar_one_or_none()
    watched = connection.exec_driver_sql(
        "SELECT supplier, product, id FROM stream WHERE id IN (SELECT stream_id FROM own_score WHERE tested_us > ?)",
        ((first_us or 0) - MOVING_WEEKS * WEEK_US,),
    )
    films = {row.id for row in watched if not lab.is_check_standard(row.supplier, row.product)}
    moved = connection.exec_driver_sql(
        "SELECT DISTINCT stream_id FROM alert WHERE kind = 'drift' AND held_under IS NULL AND raised_us > ?",
        ((first_us or 0) - MOVING_WEEKS * WEEK_US,),
    ).scalars()
    by_chance = lab.alerts.false_alerts_per_stream_year * SHARES[Kind.DRIFT] * MOVING_WEEKS * 7 / 365.2425
    return moving_share(len(films), len(films & set(moved)), float(-np.expm1(-by_chance)))


def deliveries_again(connection: Connection) -> dict[str, str]:
    """The names under which alerts that were raised again are delivered, by alert.

    An alert is raised again when it becomes the supplier's again, and when its level moves on after a person closed it.
    A recipient of the alert before gets it again, so each delivery has a name of its own.
    """
    again: dict[str, str] = json.loads(get_meta(connection, RAISED_AGAIN) or "{}")
    names = {alert: f"{alert}-after-{finding}" for alert, finding in again.items()}
    closings = connection.exec_driver_sql(
        "SELECT a.id, e.at_us FROM alert a JOIN act e ON e.subject = 'alert:' || a.id WHERE a.state = 'open' "
        "AND e.id = (SELECT max(o.id) FROM act o WHERE o.subject = e.subject AND o.what IN ('acknowledge', 'close', "
        "'open again')) AND e.what = 'close'"
    )
    return names | {alert: f"{names.get(alert, alert)}-moved-on-after-{at_us}" for alert, at_us in closings}


def _raised_again(connection: Connection) -> list[str]:
    before: dict[str, str] = json.loads(get_meta(connection, ATTRIBUTED) or "{}")
    again: dict[str, str] = json.loads(get_meta(connection, RAISED_AGAIN) or "{}")
    rows = connection.exec_driver_sql("SELECT id, held_under, state FROM alert WHERE stream_id IS NOT NULL").fetchall()
    put_meta(connection, ATTRIBUTED, json.dumps({row.id: row.held_under for row in rows if row.held_under}))
    open_ones = {row.id for row in rows if not row.held_under and row.state != AlertState.CLOSED}
    raised = {alert: finding for alert, finding in before.items() if alert in open_ones}
    known = {row.id for row in rows}
    kept = {alert: finding for alert, finding in again.items() if alert in known}
    put_meta(connection, RAISED_AGAIN, json.dumps(kept | raised))
    return sorted(raised)


def _attribute_all(
    connection: Connection,
    lab: Lab,
    findings: Sequence[tuple[str, Finding]],
    standards: Sequence[_Standard],
    only: set[int] | None,
) -> None:
    # Where a check standard was tested determines which streams its drift reaches: its points are read in any case.
    points = points_of(connection, lab, None if only is None else only | {one.stream for one in standards})
    parts = explain(points, [finding for _, finding in findings])
    names = np.array(["", *(alert for alert, _ in findings)], dtype=object)
    points = points.assign(common=parts["common"], most=parts["most"], alert=names[parts["finding"].to_numpy() + 1])
    for standard in standards:
        points = _with_standard(points, standard)
    ended = {alert: finding for alert, finding in findings if np.isfinite(finding.until) and not finding.withdrawn}
    touched = points["alert"].ne("").groupby(points["stream"]).transform("any")
    for number, of_stream in points[touched].groupby("stream"):
        if only is None or number in only:
            first = of_stream.iloc[0]
            stream = Stream(int(str(number)), first["supplier"], first["product"], first["characteristic"])
            _attribute(connection, lab, stream, of_stream, ended)


def _signature(findings: Sequence[tuple[str, Finding]], standards: Sequence[_Standard]) -> str:
    """What attribution depends on: all streams are looked at again when it changes."""
    sizes = [
        (alert, {name: [round(size.films, 4), round(size.check, 4)] for name, size in finding.sizes.items()})
        for alert, finding in findings
    ]
    shifts = [(one.alert, one.until_us, one.shift(one.tested_us).round(4).tolist()) for one in standards]
    return json.dumps([sizes, shifts])


def _withdraw(connection: Connection, only: set[int] | None) -> None:
    """Withdraw the attributions of these streams: the evidence is weighed anew."""
    rows = connection.exec_driver_sql(
        "SELECT id, stream_id, evidence FROM alert WHERE held_under IS NOT NULL"
    ).fetchall()
    for alert, stream, document in rows:
        if only is None or stream in only:
            evidence = {key: value for key, value in json.loads(document).items() if key != "explained_by"}
            if str(evidence["closed_because"]).startswith(CAME_BACK):
                evidence["closed_because"] = None
            _update(connection, alert, None, evidence)


def _update(connection: Connection, alert: str, finding: str | None, evidence: dict[str, object]) -> None:
    place = connection.exec_driver_sql("SELECT stream_id, raised_us FROM alert WHERE id = ?", (alert,)).one()
    about_lots = None if place.stream_id is None else LotAlert(place.stream_id, place.raised_us)
    state = state_after(connection, alert, evidence, about_lots)
    connection.exec_driver_sql(
        "UPDATE alert SET held_under = ?, state = ?, evidence = ? WHERE id = ?",
        (finding, state, json.dumps(evidence, ensure_ascii=False, allow_nan=False), alert),
    )


# One stream


def _attribute(
    connection: Connection, lab: Lab, stream: Stream, points: pd.DataFrame, ended: dict[str, Finding]
) -> None:
    rows = connection.exec_driver_sql(
        "SELECT id, kind, raised_us, evidence FROM alert WHERE stream_id = ? ORDER BY raised_us, id", (stream.id,)
    )
    alerts = [alert for alert in (_attributable(*row) for row in rows) if alert.kind in ATTRIBUTABLE_KINDS]
    explained = [(alert, *latest) for alert in alerts if (latest := _latest_finding(alert, points))[0]]
    if not explained:
        return
    without_share = evaluate_without(connection, lab, stream, _shares(points))
    chance = without_share[0].forecast.breach_probability
    breach_is_likely = chance is not None and chance >= lab.alerts.breach_probability
    is_standard = lab.is_check_standard(stream.supplier, stream.product)
    for alert, finding, moved_us in explained:
        beyond = all(_stands(alert, moved_us, again) for again in without_share)
        beyond |= breach_is_likely and not alert.evidence["away_from_limit"]
        # A check standard is evidence for the finding, so its alert is explained by it.
        if is_standard or not beyond:
            evidence = {**alert.evidence, "explained_by": finding}
            over = ended.get(finding)
            if (
                over is not None
                and not evidence["closed_because"]
                and _came_back(alert, points[points["alert"] == finding], over, without_share[0])
            ):
                evidence["closed_because"] = f"{CAME_BACK}{day_text(weeks_to_us(over.until))}, and the level with it"
            _update(connection, alert.id, finding, evidence)


def _came_back(alert: _Attributable, moved: pd.DataFrame, over: Finding, without_share: Evaluation) -> bool:
    """Whether the level came back with the bench, which had `moved` these lots."""
    lots = without_share.points.take(without_share.points["valid"] & np.isfinite(without_share.points["level"]))
    tested, level = lots["started_us"], lots["level"]
    shares = moved["common"].to_numpy(np.float64)
    away = float(shares[np.argmax(np.abs(shares))])
    return away * alert.direction > 0 and is_back(
        level[tested < alert.since_us], away, level[tested >= weeks_to_us(over.until_high)]
    )


def _shares(points: pd.DataFrame) -> list[dict[int, float]]:
    """What the bench added to each session: the likeliest, and the most that it may have added where that is more."""
    common, most = points["common"].to_numpy(np.float64), points["most"].to_numpy(np.float64)
    sizes = [common, most] if (common != most).any() else [common]
    return [dict(zip(points["session"].astype(int), size.tolist(), strict=True)) for size in sizes]


def _attributable(name: str, kind: str, raised_us: int, document: str) -> _Attributable:
    evidence = json.loads(document)
    since = evidence["since_us"]
    return _Attributable(
        id=name,
        # An alert on a check standard is of the kind `bench`; its evidence names what moved.
        kind=evidence["what"],
        direction=evidence["direction"],
        since_us=raised_us if since is None else min(since, raised_us),
        raised_us=raised_us,
        latest_us=evidence["latest_tested_us"],
        evidence=evidence,
    )


def _latest_finding(alert: _Attributable, points: pd.DataFrame) -> tuple[str, int]:
    """The latest bench alert that may have moved an alert's lots or those just before, and its first such lot.

    ("", 0) where none may. A bench that is set right moves levels back: the lots that it had moved then lie before the
    alert, and their direction is the other one. Whether the bench made the alert is decided by the second evaluation.
    """
    tested = points["tested_us"].to_numpy(np.int64)
    first = max(int(np.searchsorted(tested, alert.since_us)) - LOTS, 0)
    lots = points.iloc[first : int(np.searchsorted(tested, alert.raised_us, side="right"))]
    lots = lots[lots["alert"] != ""]
    return (str(lots["alert"].iloc[-1]), int(lots["tested_us"].iloc[0])) if len(lots) else ("", 0)


def _stands(alert: _Attributable, moved_us: int, again: Evaluation) -> bool:
    """Whether the level has moved that way without the bench too, as a point, a drift or otherwise.

    An episode that was over before the bench moved is no reason for an alert that came then.
    """
    tested = again.points["started_us"][again.points["valid"]]
    until = int(np.searchsorted(tested, alert.latest_us, side="right")) - 1 + LOTS
    return any(
        episode.kind in ATTRIBUTABLE_KINDS
        and (episode.direction == alert.direction or WANDERS in (episode.direction, alert.direction))
        and episode.opened <= until
        and tested[episode.latest] >= max(alert.since_us, moved_us)
        for episode in again.episodes
    )


# Check standards that have an alert of their own


def _standards(connection: Connection) -> list[_Standard]:
    """The check standards that drift by themselves, where no shared shift was found."""
    alerts = connection.exec_driver_sql(
        "SELECT id, stream_id, evidence FROM alert WHERE kind = 'bench' AND stream_id IS NOT NULL ORDER BY raised_us, id"
    ).fetchall()
    standards = [
        _standard(connection, str(name), int(stream), json.loads(evidence)) for name, stream, evidence in alerts
    ]
    return [one for one in standards if one is not None]


def _standard(connection: Connection, alert: str, stream: int, evidence: dict[str, Any]) -> _Standard | None:
    rows = connection.exec_driver_sql(
        "SELECT s.started_us, s.level FROM own_score o JOIN session s ON s.id = o.session_id WHERE o.stream_id = ? "
        "ORDER BY s.started_us",
        (stream,),
    ).fetchall()
    if evidence["what"] != Kind.DRIFT or evidence["since_us"] is None or not rows:
        return None
    tested, level = (np.array(column, dtype=np.float64) for column in zip(*rows, strict=True))
    until = np.inf if not evidence["closed_because"] else float(evidence["latest_tested_us"])
    return _Standard(alert, stream, int(evidence["since_us"]), until, tested, level)


def _with_standard(points: pd.DataFrame, standard: _Standard) -> pd.DataFrame:
    """Add what a check standard explains where no shared shift does."""
    of_standard = points[points["stream"] == standard.stream]
    moment = points["tested_us"].to_numpy(np.float64)
    reached = (points["most"] == 0.0).to_numpy(bool) & ~points["is_check_standard"].to_numpy(bool)
    reached &= (points["quantity"] == of_standard["quantity"].iloc[0]).to_numpy(bool) & _same_place(points, of_standard)
    reached &= (moment >= standard.since_us) & (moment <= standard.until_us)
    common, most = (points[name].to_numpy(np.float64, copy=True) for name in ("common", "most"))
    alert = points["alert"].to_numpy(object, copy=True)
    common[reached], alert[reached] = standard.shift(moment[reached]), standard.alert
    most[reached] = common[reached]
    return points.assign(common=common, most=most, alert=alert)


def _same_place(points: pd.DataFrame, of_standard: pd.DataFrame) -> np.ndarray:
    """Points on the instruments of a check standard; on its chambers where no instrument is named."""
    for column in ("instrument", "chamber"):
        names = set(of_standard[column]) - {""}
        if names:
            return points[column].isin(names).to_numpy(bool)
    return np.zeros(len(points), dtype=bool)
