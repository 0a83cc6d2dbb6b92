"""What another decision rule changes in each stream: the verdicts of its lots, and the alerts about undecided lots.

A rule decides which lots near a limit pass. Levels, charts and every other alert stay as they are, so that nothing is evaluated:
the lots are judged twice from their stored levels and uncertainties.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

import numpy as np
from sqlalchemy import Connection

from ingest.common.streams import Stream
from ingest.config.lab import Lab
from ingest.documents.verdict.rule_change import StoredRuleAlert, StoredRuleDifference
from ingest.evaluation.judged_again import (
    acceptance_limits_of,
    depends_on_rule,
    stored_sessions,
)
from ingest.evaluation.stream_alerts import alert_id, state_after
from ingest.sessions.session_columns import limits_in_force
from ingest.sessions.suspect_values import SET_ASIDE
from spc.kernels.arrays import Flags, Integers
from spc.kernels.columns import Column, Rows
from spc.stream.alert_episodes import runs
from spc.stream.verdicts import judge_rows
from spc.vocabulary.enums import AlertState, Kind, Verdict

__all__ = ["rule_differences"]

STREAMS_AT_ONCE = 500
LOTS_AT_ONCE = 5000
WORDS = {str(word): word for word in Verdict}


def rule_differences(
    connection: Connection, before: Lab, after: Lab, characteristic: str, begin_us: int, end_us: int
) -> tuple[int, list[StoredRuleDifference]]:
    """The valid tests in the time of a rule, and the streams in which a verdict or an alert differs; reads only.

    `before` and `after` are the lab without the rule and with it; outside its time they judge alike.
    """
    streams = _streams(connection, characteristic, begin_us, end_us)
    aside = list(
        connection.exec_driver_sql("SELECT session_id FROM mark WHERE settled = ?", (SET_ASIDE,)).scalars().all()
    )
    tested = 0
    differences: list[StoredRuleDifference] = []
    for start in range(0, len(streams), STREAMS_AT_ONCE):
        part = {stream.id: stream for stream in streams[start : start + STREAMS_AT_ONCE]}
        sessions = _with_limits(connection, before, characteristic, part, aside, begin_us)
        tested += int(np.sum(sessions["conditioned"] & (sessions["started_us"] < end_us)))
        near = sessions.take(depends_on_rule([before, after], characteristic, sessions))
        now, then = (_judged(lab, characteristic, near) for lab in (before, after))
        differ = now["verdict"] != then["verdict"]
        numbers = set(near["stream_id"][differ].tolist())
        if numbers:
            answers = Rows(near.index, {"before": now["verdict"], "after": then["verdict"], "breach": now["breach"]})
            changed = {number: stream for number, stream in part.items() if number in numbers}
            whole = _whole(connection, before, changed, sessions, begin_us)
            differences += _differences(connection, before, changed, aside, whole, answers)
    return tested, differences


def _streams(connection: Connection, characteristic: str, begin_us: int, end_us: int) -> list[Stream]:
    """The streams with tests in the time of the rule."""
    rows = connection.exec_driver_sql(
        "SELECT id, supplier, product, characteristic FROM stream t WHERE characteristic = ? AND EXISTS "
        "(SELECT 1 FROM session s WHERE s.stream_id = t.id AND s.started_us >= ? AND s.started_us < ?) "
        "ORDER BY supplier, product",
        (characteristic, begin_us, end_us),
    )
    return [Stream(*row) for row in rows]


def _whole(connection: Connection, lab: Lab, streams: Mapping[int, Stream], since_begin: Rows, begin_us: int) -> Rows:
    """All sessions of these streams: those since the rule began, which are read already, and those before."""
    characteristic = next(iter(streams.values())).characteristic
    recent = since_begin.take(np.isin(since_begin["stream_id"], list(streams)))
    earlier = stored_sessions(connection, list(streams), lab.characteristic(characteristic).judged, until_us=begin_us)
    names = ("stream_id", "lot_id", "started_us", "verdict", "valid")
    columns = {name: np.concatenate([earlier[name], recent[name]]) for name in names if name != "valid"}
    columns["valid"] = np.concatenate([earlier["valid"] == 1, recent["conditioned"]])
    return Rows(np.concatenate([earlier.index, recent.index]), columns)


def _differences(
    connection: Connection, lab: Lab, streams: Mapping[int, Stream], aside: Sequence[int], whole: Rows, answers: Rows
) -> Iterator[StoredRuleDifference]:
    """What changes in each of these streams, by all their sessions: an alert may have begun before the rule.

    `answers` are the sessions that depend on a rule; every other one keeps the verdict that is stored.
    """
    order = np.argsort(answers.index)
    place = np.minimum(np.searchsorted(answers.index[order], whole.index), answers.index.size - 1)
    answered = answers.index[order][place] == whole.index
    columns: dict[str, Column] = {
        name: np.where(answered, answers[name][order][place], otherwise)
        for name, otherwise in (("before", whole["verdict"]), ("after", whole["verdict"]), ("breach", False))
    }
    columns["valid"] = whole["valid"] & ~np.isin(whole.index, aside)
    rows = whole.adding(columns)
    rows = rows.take(np.lexsort((rows["lot_id"], rows["started_us"], rows["stream_id"])))
    # Names are read only where they show or decide: lots that change, that are undecided, or that were tested at one moment.
    open_lots = (rows["before"] == Verdict.UNDECIDED) | (rows["after"] == Verdict.UNDECIDED)
    at_once = (np.diff(rows["started_us"]) == 0) & (np.diff(rows["stream_id"]) == 0)
    tied = np.append(at_once, False) | np.append(False, at_once)
    named = (rows["before"] != rows["after"]) | open_lots | tied
    rows = rows.adding({"lot": _lots(connection, rows["lot_id"], named)})
    if tied.any():
        rank = np.zeros(len(rows), dtype=np.int64)
        rank[tied] = np.unique(rows["lot"][tied].astype(str), return_inverse=True)[1]
        rows = rows.take(np.lexsort((rank, rows["started_us"], rows["stream_id"])))
    first = np.flatnonzero(np.diff(rows["stream_id"], prepend=-1)).tolist()
    parts = {
        int(rows["stream_id"][begin]): rows.take(np.arange(begin, end)) for begin, end in pairwise([*first, len(rows)])
    }
    for number, stream in streams.items():
        yield _difference(connection, lab, stream, parts[number])


def _with_limits(
    connection: Connection,
    lab: Lab,
    characteristic: str,
    streams: Mapping[int, Stream],
    aside: Sequence[int],
    since_us: int,
) -> Rows:
    """The sessions of some streams with their uncertainties and the specification limits of their days."""
    judged = lab.characteristic(characteristic).judged
    sessions = stored_sessions(connection, list(streams), judged, since_us, uncertainty=True)
    lower, upper = np.full(len(sessions), np.nan), np.full(len(sessions), np.nan)
    _, first = np.unique(sessions["stream_id"], return_index=True)
    for begin, end in pairwise([*first.tolist(), len(sessions)]):
        product = streams[int(sessions["stream_id"][begin])].product
        limits = limits_in_force(lab, product, characteristic, sessions["started_us"][begin:end])
        lower[begin:end], upper[begin:end] = limits["limit_lower"], limits["limit_upper"]
    conditioned = sessions["valid"] == 1
    valid = conditioned & ~np.isin(sessions.index, aside)
    return sessions.adding({"conditioned": conditioned, "valid": valid, "limit_lower": lower, "limit_upper": upper})


def _judged(lab: Lab, characteristic: str, sessions: Rows) -> dict[str, Column]:
    declared = lab.characteristic(characteristic)
    if lab.rule_steps(characteristic):
        sessions = sessions.adding(acceptance_limits_of(lab, characteristic, sessions))
    return judge_rows(sessions, declared.scale, declared.judged, declared.guard_percent)


def _lots(connection: Connection, ids: Integers, named: Flags) -> np.ndarray:
    """The names of the lots of some rows, by their numbers; blank for the other rows."""
    wanted = np.unique(ids[named]).tolist()
    names: dict[int, str] = {}
    for start in range(0, len(wanted), LOTS_AT_ONCE):
        part = wanted[start : start + LOTS_AT_ONCE]
        rows = connection.exec_driver_sql(
            f"SELECT id, lot FROM lot WHERE id IN ({', '.join('?' * len(part))})", tuple(part)
        )
        names.update((row[0], row[1]) for row in rows.all())
    result = np.full(ids.size, "", dtype=object)
    result[named] = [names[one] for one in ids[named].tolist()]
    return result


def _difference(connection: Connection, lab: Lab, stream: Stream, rows: Rows) -> StoredRuleDifference:
    changed = rows.take(rows["before"] != rows["after"])
    words = zip(*(changed[name].tolist() for name in ("lot", "started_us", "before", "after")), strict=True)
    is_check = lab.is_check_standard(stream.supplier, stream.product)
    points = rows.take(rows["valid"].astype(bool))
    if not is_check:
        # A lot is charted by its first valid session.
        points = points.take(np.sort(np.unique(points["lot_id"], return_index=True)[1]))
    open_before, open_after = (
        _undecided(stream, points, (points[name] == Verdict.UNDECIDED) & ~points["breach"].astype(bool))
        for name in ("before", "after")
    )
    kind = Kind.BENCH if is_check else Kind.LIMIT

    def documents(
        alerts: Mapping[str, tuple[int, bool]], others: Mapping[str, tuple[int, bool]]
    ) -> list[StoredRuleAlert]:
        return [
            {"id": alert, "kind": kind, "lot": str(points["lot"][at]), "raised_us": int(points["started_us"][at])}
            for alert, (at, is_over) in alerts.items()
            if alert not in others or (others[alert][1] != is_over and not is_over and _stays_open(connection, alert))
        ]

    return {
        "supplier": stream.supplier,
        "product": stream.product,
        "characteristic": stream.characteristic,
        "verdicts": [
            {"lot": str(lot), "tested_us": int(tested), "before": WORDS[old], "after": WORDS[new]}
            for lot, tested, old, new in words
        ],
        "alerts": {"go": documents(open_before, open_after), "come": documents(open_after, open_before)},
    }


def _undecided(stream: Stream, points: Rows, undecided: Flags) -> dict[str, tuple[int, bool]]:
    """The alerts about undecided lots by id: the point that opened each, and whether it is over."""
    return {
        alert_id(
            stream.supplier, stream.product, stream.characteristic, str(Kind.LIMIT), "0", str(points["lot"][at]),
            str(int(points["started_us"][at])),
        ): (at, is_over)
        for at, is_over in runs(undecided)
    }  # fmt: skip


def _stays_open(connection: Connection, alert: str) -> bool:
    """Whether no person closed an alert that is not over by itself."""
    return state_after(connection, alert, {}, None) != AlertState.CLOSED
