"""Another limit over the whole history, all products at once. Nothing is recorded: it is a question, not a verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Literal

import numpy as np
from sqlalchemy import Connection

from ingest.audit.limit_entries import with_entered_limits
from ingest.common.errors import CallError
from ingest.common.instants import microseconds
from ingest.common.json_text import from_json
from ingest.config.lab import Lab
from ingest.documents.served import iso
from ingest.documents.verdict.what_if import ChangedLot, Counts, WhatIf, WhatIfStream, WhatIfSupplier
from ingest.evaluation.judged_again import (
    acceptance_limits_of,
    depends_on_rule,
    stored_sessions,
)
from ingest.sessions.session_columns import for_evaluation, sessions_of
from ingest.sessions.suspect_values import SET_ASIDE, STANDS
from ingest.store.dialect import json_number
from ingest.store.last_round import last_round
from spc import capability
from spc.fractions import count_interval
from spc.kernels.arrays import Flags, Floats, Integers
from spc.kernels.columns import Rows
from spc.stream import forecast
from spc.stream.chart_points import charted_points
from spc.stream.verdicts import judge_rows
from spc.supplier import ranking
from spc.vocabulary.enums import Scale, Verdict

__all__ = ["Request", "declared_values", "what_if"]

MOST_CHANGED = 500
LEAST_BY_LAW = 5
STREAMS_AT_ONCE = 500
# A forecast of a stream takes some milliseconds: more streams are forecast in the order of their failing lots.
MOST_FORECAST = 500


@dataclass(frozen=True, slots=True)
class Request:
    """The other limit: a value in the unit on one side, for lots tested since a day (None: since each stream's last move)."""

    characteristic: str
    limit: float
    side: Literal["upper", "lower"] = "upper"
    since: date | None = None
    guard_percent: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Stream:
    """A stream with its first valid session of each lot, as they stand and as they would.

    `outliers` are the lots of the stream that its forecast leaves out.
    """

    id: int
    supplier: str
    product: str
    since_us: int
    sessions: Rows
    before: np.ndarray
    after: np.ndarray
    moves: bool
    outliers: frozenset[str]
    is_outlier: Flags


def declared_values(lab: Lab, characteristic: str) -> tuple[Literal["upper", "lower"], list[float]]:
    """The side of the limits of a characteristic and every value that is declared on it, for all or for a product."""
    declared = lab.characteristic(characteristic)
    side: Literal["upper", "lower"] = "upper" if declared.upper_limit or not declared.lower_limit else "lower"
    values = {one.value for one in (declared.upper_limit if side == "upper" else declared.lower_limit)}
    for product in lab.products:
        own = (product.upper_limit if side == "upper" else product.lower_limit).get(characteristic)
        if own is not None:
            values.add(own)
    return side, sorted(values, reverse=True)


def what_if(connection: Connection, lab: Lab, request: Request) -> WhatIf:
    """Judge the lots of every stream of a characteristic by another limit; reads only.

    Raises
    ------
    CallError
        Where the characteristic is not declared or a number is out of range.
    """
    if not lab.is_declared(request.characteristic):
        raise CallError(f"whatif: {request.characteristic} is no characteristic that lab.toml declares")
    declared = lab.characteristic(request.characteristic)
    log = Scale(declared.scale) == Scale.LOG
    if not math.isfinite(request.limit) or (log and request.limit <= 0):
        raise CallError(f"whatif: expected a limit above 0, got {request.limit:g}")
    if request.guard_percent is not None and not 0 <= request.guard_percent < 100:
        raise CallError(f"whatif: expected a guard from 0 to below 100 percent, got {request.guard_percent:g}")
    lab = with_entered_limits(connection, lab)
    drawn_up = last_round(connection)
    streams, left_out, unlimited = _streams(connection, lab, request)
    edge, side = (math.log(request.limit) if log else request.limit), 1 if request.side == "upper" else -1
    figures = _stream_documents(lab, streams, _laws(streams, edge, side), request)
    chances = _chances(connection, lab, _most_failing(streams, figures), request)
    for one, figure in zip(streams, figures, strict=True):
        figure["breach_probability"] = chances.get(one.id)
    changed, changed_count = _changed(connection, lab, streams)
    _, values = declared_values(lab, request.characteristic)
    return {
        "characteristic": request.characteristic,
        "unit": declared.unit,
        "scale": Scale(declared.scale),
        "side": request.side,
        "limit": request.limit,
        "declared": values,
        "since": None if request.since is None else request.since.isoformat(),
        "horizon_weeks": lab.alerts.horizon_weeks,
        "drawn_up_at": iso(drawn_up or 0, lab.zone),
        "left_out": left_out,
        "unlimited": unlimited,
        "total": _sum(figures),
        "failing_now": sum(one["failing_now"] for one in figures),
        "suppliers": _suppliers(figures),
        "streams": sorted(
            figures, key=lambda one: (-one["failing"] / max(one["lots"], 1), one["supplier"], one["product"])
        ),
        "changed": changed,
        "changed_more": changed_count - len(changed),
    }


def _streams(connection: Connection, lab: Lab, request: Request) -> tuple[list[_Stream], int, int]:
    """The films of the characteristic with their lots; how many sessions are left out, and how many streams have no limit."""
    rows = connection.exec_driver_sql(
        "SELECT id, supplier, product FROM stream WHERE characteristic = ? ORDER BY supplier, product",
        (request.characteristic,),
    ).fetchall()
    names = {row[0]: (row[1], row[2]) for row in rows if not lab.is_check_standard(row[1], row[2])}
    bound = {
        product: any(
            step.value is not None
            for side in ("lower", "upper")
            for step in lab.limit_steps(product, request.characteristic, side)
        )
        for product in {product for _, product in names.values()}
    }
    wanted = [stream for stream, (_, product) in names.items() if bound[product]]
    aside = set(
        connection.exec_driver_sql("SELECT session_id FROM mark WHERE settled <> 'stands as written'").scalars()
    )
    starts, moving = _window_starts(connection, lab, request, {one: names[one][1] for one in wanted})
    judged = lab.characteristic(request.characteristic).judged
    outliers = _outliers(connection, request.characteristic)
    far = _outlier_sessions(connection, outliers)
    result, left_out = [], 0
    for start in range(0, len(wanted), STREAMS_AT_ONCE):
        part = wanted[start : start + STREAMS_AT_ONCE]
        every = stored_sessions(connection, part, judged, uncertainty=_by_rule(lab, request))
        if not len(every):
            continue
        begin = np.array([starts[stream] for stream in every["stream_id"].tolist()], dtype=np.int64)
        in_time = every["started_us"] >= begin
        counts = (every["valid"] == 1) & in_time
        if aside:
            counts &= ~np.isin(every.index, list(aside))
        left_out += int((in_time & ~counts).sum())
        lots = every.take(_first_of_each_lot(every, counts))
        after = _judged(lab, request, lots)
        found, first = np.unique(lots["stream_id"], return_index=True)
        for stream, begun, end in zip(found.tolist(), first.tolist(), [*first[1:].tolist(), len(lots)], strict=True):
            own = lots.take(np.arange(begun, end))
            supplier, product = names[stream]
            result.append(
                _Stream(
                    stream,
                    supplier,
                    product,
                    starts[stream],
                    own,
                    own["verdict"],
                    after[begun:end],
                    stream in moving,
                    outliers.get(stream, frozenset()),
                    np.isin(own.index, far[stream]) if stream in far else np.zeros(len(own), dtype=bool),
                )
            )
    return result, left_out, len(names) - len(wanted)


def _outliers(connection: Connection, characteristic: str) -> dict[int, frozenset[str]]:
    """The lone lots that the stored forecast of each stream leaves out, by name."""
    rows = connection.exec_driver_sql(
        "SELECT e.stream_id, e.document FROM evaluation e JOIN stream s ON s.id = e.stream_id WHERE s.characteristic = ?",
        (characteristic,),
    )
    found = {stream: (from_json(document)["forecast"] or {}).get("outliers", []) for stream, document in rows}
    return {stream: frozenset(lots) for stream, lots in found.items() if lots}


def _outlier_sessions(connection: Connection, outliers: Mapping[int, frozenset[str]]) -> dict[int, list[int]]:
    """The sessions of those lots, by stream."""
    result: dict[int, list[int]] = {}
    for stream, lots in outliers.items():
        rows = connection.exec_driver_sql(
            f"SELECT s.id FROM session s JOIN lot l ON l.id = s.lot_id WHERE s.stream_id = ? "
            f"AND l.lot IN ({', '.join('?' * len(lots))})",
            (stream, *sorted(lots)),
        )
        result[stream] = list(rows.scalars())
    return result


def _first_of_each_lot(sessions: Rows, counts: Flags) -> Integers:
    rows = np.flatnonzero(counts)
    # In one characteristic a lot has one stream, and the sessions of a stream come in the order of time.
    _, first = np.unique(sessions["lot_id"][rows], return_index=True)
    return np.sort(rows[first])


def _by_rule(lab: Lab, request: Request) -> bool:
    """Whether dated rules decide, and no guard that was given with the question."""
    return bool(lab.rule_steps(request.characteristic)) and request.guard_percent is None


def _judged(lab: Lab, request: Request, sessions: Rows) -> np.ndarray:
    """Verdict words of the lots under the other limit, by the same statistic, strictness and decision rule."""
    declared = lab.characteristic(request.characteristic)
    n = len(sessions)
    limit, none = np.full(n, request.limit), np.full(n, np.nan)
    other = sessions.adding(
        {
            "valid": np.ones(n, dtype=bool),
            "limit_lower": limit if request.side == "lower" else none,
            "limit_upper": limit if request.side == "upper" else none,
        }
    )
    guard = declared.guard_percent if request.guard_percent is None else request.guard_percent
    verdict: np.ndarray = judge_rows(other, declared.scale, declared.judged, guard)["verdict"]
    if _by_rule(lab, request):
        rows = depends_on_rule([lab], request.characteristic, other)
        near = other.take(rows)
        near = near.adding(acceptance_limits_of(lab, request.characteristic, near))
        verdict[rows] = judge_rows(near, declared.scale, declared.judged, guard)["verdict"]
    return verdict


def _window_starts(
    connection: Connection, lab: Lab, request: Request, products: dict[int, str]
) -> tuple[dict[int, int], set[int]]:
    """From when on the lots of each stream count, and the streams that are moving now.

    Without a day: from the start of its baseline in force, its last move, or the edition in force, whichever is latest.
    """
    moves: dict[int, int] = {}
    moving = set()
    for stream, evidence, state in connection.exec_driver_sql(
        "SELECT stream_id, evidence, state FROM alert WHERE characteristic = ? AND kind IN ('drift', 'forecast') "
        "AND held_under IS NULL AND stream_id IS NOT NULL",
        (request.characteristic,),
    ):
        parts = from_json(evidence)
        if parts.get("since_us") is not None:
            moves[stream] = max(moves.get(stream, 0), parts["since_us"])
        if state != "closed":
            moving.add(stream)
    if request.since is not None:
        since_us = microseconds(datetime.combine(request.since, time(), lab.zone))
        return dict.fromkeys(products, since_us), moving
    # Times below 2 ** 53 microseconds (the year 2255) are exact as floating point numbers.
    begun = json_number(connection, "e.document", "limits", "from_us")
    baselines = {
        stream: int(moment or 0)
        for stream, moment in connection.exec_driver_sql(
            f"SELECT e.stream_id, {begun} FROM evaluation e JOIN stream s ON s.id = e.stream_id WHERE s.characteristic = ?",
            (request.characteristic,),
        )
    }
    editions = {product: _edition_us(lab, product, request) for product in set(products.values())}
    starts = {
        stream: max(moves.get(stream, 0), baselines.get(stream, 0), editions[product])
        for stream, product in products.items()
    }
    return starts, moving


def _edition_us(lab: Lab, product: str, request: Request) -> int:
    """Start of the newest limit in force by the time of the last round."""
    days = [
        step.start
        for side in ("lower", "upper")
        for step in lab.limit_steps(product, request.characteristic, side)
        if step.start
    ]
    return max((microseconds(datetime.combine(day, time(), lab.zone)) for day in days), default=0)


# Figures


def _stream_documents(
    lab: Lab, streams: Sequence[_Stream], laws: Sequence[tuple[float, float, float] | None], request: Request
) -> list[WhatIfStream]:
    """The figures of each stream; the lots of all are counted at once."""
    if not streams:
        return []
    lots = np.array([len(one.sessions) for one in streams])
    first = np.cumsum(lots) - lots
    after, before = (np.concatenate([getattr(one, name) for one in streams]) for name in ("after", "before"))

    def counted(words: np.ndarray, word: Verdict) -> Integers:
        return np.add.reduceat((words == word).astype(np.int64), first)

    passing, failing, undecided = (counted(after, word) for word in (Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED))
    low, high = count_interval(failing, undecided, lots)
    columns = (lots, passing, failing, undecided, low, high, counted(before, Verdict.FAIL))
    return [
        _stream_document(lab, one, law, request, *figures)
        for one, law, figures in zip(
            streams, laws, zip(*(column.tolist() for column in columns), strict=True), strict=True
        )
    ]


def _stream_document(
    lab: Lab, one: _Stream, law: tuple[float, float, float] | None, request: Request, lots: int, passing: int, failing: int,
    undecided: int, low: float, high: float, failing_now: int,
) -> WhatIfStream:  # fmt: skip
    return {
        "supplier": one.supplier,
        "product": one.product,
        "characteristic": request.characteristic,
        "lots": lots,
        "passing": passing,
        "failing": failing,
        "undecided": undecided,
        "low": low,
        "high": high,
        "since_at": iso(max(one.since_us, int(one.sessions["started_us"][0])), lab.zone),
        "failing_now": failing_now,
        "law": None if law is None else law[0],
        "law_low": None if law is None else law[1],
        "law_high": None if law is None else law[2],
        "outliers": int(one.is_outlier.sum()),
        "moves": one.moves,
        "breach_probability": None,
    }


def _laws(streams: Sequence[_Stream], edge: float, side: int) -> list[tuple[float, float, float] | None]:
    """The fraction beyond by the normal law of each stream, all at once; only where the limit lies among its levels.

    Outside its levels only counting is honest.
    """
    rows, figures = [], []
    for place, one in enumerate(streams):
        level = _levels(one)
        if level.size >= LEAST_BY_LAW and level.min() < edge < level.max():
            rows.append(place)
            figures.append((level.mean(), level.std(ddof=1) / np.sqrt(level.size), level.var(ddof=1), level.size - 1.0))
    result: list[tuple[float, float, float] | None] = [None] * len(streams)
    if rows:
        limit = {"upper": edge} if side > 0 else {"lower": edge}
        laws = capability.capabilities_from_components(*np.array(figures).T, **limit)
        columns = (laws[name].tolist() for name in ("fraction", "fraction_lower", "fraction_upper"))
        for place, law in zip(rows, zip(*columns, strict=True), strict=True):
            result[place] = law
    return result


def _levels(one: _Stream) -> Floats:
    """The measured levels without lone outliers, which say little about the lots that come."""
    level = one.sessions.floats("level")
    return level[np.isfinite(level) & ~one.is_outlier]


def _most_failing(streams: Sequence[_Stream], figures: Sequence[WhatIfStream]) -> list[_Stream]:
    """The streams to forecast: all, or those that move and those with the largest fractions of failing lots."""
    order = sorted(
        zip(streams, figures, strict=True),
        key=lambda pair: (not pair[1]["moves"], -pair[1]["failing"] / max(pair[1]["lots"], 1)),
    )
    return [stream for stream, _ in order[:MOST_FORECAST]]


def _chances(connection: Connection, lab: Lab, streams: Sequence[_Stream], request: Request) -> dict[int, float | None]:
    """Chance of a failing lot by stream: the forecast of the board, from the same lots, by the other limit."""
    if not streams:
        return {}
    ids = [one.id for one in streams]
    marks: dict[int, dict[int, str]] = {}
    for stream, session, settled in connection.exec_driver_sql(
        f"SELECT stream_id, session_id, settled FROM mark WHERE stream_id IN ({', '.join('?' * len(ids))})", tuple(ids)
    ):
        marks.setdefault(stream, {})[session] = settled
    sessions = sessions_of(connection, ids)
    return {one.id: _chance(lab, one, sessions[one.id], marks.get(one.id, {}), request) for one in streams}


def _chance(lab: Lab, one: _Stream, sessions: Rows, marked: Mapping[int, str], request: Request) -> float | None:
    """Chance of a failing lot of one stream. A limit on the other side stays as it is in force."""
    declared = lab.characteristic(request.characteristic)
    aside = [session for session, settled in marked.items() if settled == SET_ASIDE]
    unreviewed = {session for session, settled in marked.items() if settled not in (SET_ASIDE, STANDS)}
    prepared = for_evaluation(lab, one.product, request.characteristic, sessions, aside)
    points = charted_points(prepared, lab.baseline.lots, unreviewed, every_session=False)
    is_outlier = np.array([lot in one.outliers for lot in points["lot"].tolist()], dtype=bool)
    used = points.take(points["measured"].astype(bool) & ~points["unreviewed"].astype(bool) & ~is_outlier)
    if not len(used):
        return None
    limits = {side: float(used[f"limit_{side}"][-1]) for side in ("lower", "upper")} | {request.side: request.limit}
    if not limits["lower"] < limits["upper"]:
        # The other limit lies beyond the one on the other side, or that side has none.
        limits = {"lower": math.nan, "upper": math.nan, request.side: request.limit}
    log = Scale(declared.scale) == Scale.LOG
    lower, upper = (
        None if math.isnan(limit) else float(np.log(limit)) if log else limit
        for limit in (limits["lower"], limits["upper"])
    )
    return forecast.breach_probability(
        used.floats("weeks"),
        used.floats("level"),
        used.floats("variance"),
        lower=lower,
        upper=upper,
        horizon_weeks=lab.alerts.horizon_weeks,
    )


def _sum(figures: Sequence[Counts]) -> Counts:
    lots, passing, failing, undecided = (
        sum(one[key] for one in figures) for key in ("lots", "passing", "failing", "undecided")
    )
    low, high = count_interval(failing, undecided, lots)
    return {
        "lots": lots,
        "passing": passing,
        "failing": failing,
        "undecided": undecided,
        "low": float(low),
        "high": float(high),
    }


def _suppliers(figures: Sequence[WhatIfStream]) -> list[WhatIfSupplier]:
    """Lots by supplier, and the fraction that fails pooled in part with the other suppliers."""
    names = sorted({one["supplier"] for one in figures})
    sums = [_sum([one for one in figures if one["supplier"] == name]) for name in names]
    pooled: list[float | None] = [None] * len(names)
    if len(names) > 1:
        laws = ranking.population_laws(
            [one["passing"] for one in sums], [one["passing"] + one["failing"] for one in sums]
        )
        pooled = [1 - share for share in laws.share.tolist()]
    return [
        {
            "supplier": name,
            **own,
            "failing_now": sum(one["failing_now"] for one in figures if one["supplier"] == name),
            "pooled": share,
        }
        for name, own, share in zip(names, sums, pooled, strict=True)
    ]


def _changed(connection: Connection, lab: Lab, streams: Sequence[_Stream]) -> tuple[list[ChangedLot], int]:
    """The newest lots with another verdict, and how many there are."""
    differ = [np.flatnonzero(one.before != one.after) for one in streams]
    started = np.concatenate(
        [one.sessions["started_us"][at] for one, at in zip(streams, differ, strict=True)] or [np.empty(0)]
    )
    owner = np.repeat(np.arange(len(streams)), [at.size for at in differ])
    place = np.concatenate([*differ, np.empty(0, dtype=np.intp)])
    # The streams come in the order of their names, which is kept among tests of one moment.
    newest = np.argsort(-started, kind="stable")[:MOST_CHANGED]
    rows = [
        (int(started[at]), one, int(one.sessions["lot_id"][row]), str(one.before[row]), str(one.after[row]))
        for at, one, row in ((at, streams[owner[at]], place[at]) for at in newest.tolist())
    ]
    wanted = [row[2] for row in rows]
    names = {}
    if wanted:
        places = ", ".join("?" * len(wanted))
        names = dict(
            tuple(row)
            for row in connection.exec_driver_sql(f"SELECT id, lot FROM lot WHERE id IN ({places})", tuple(wanted))
        )
    documents: list[ChangedLot] = [
        {
            "supplier": one.supplier,
            "product": one.product,
            "lot": names.get(lot, ""),
            "tested_at": iso(moment, lab.zone),
            "before": Verdict(before),
            "after": Verdict(after),
        }
        for moment, one, lot, before, after in rows
    ]
    return documents, int(started.size)
