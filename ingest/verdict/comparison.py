"""Compare products or suppliers on what was tested: lots are the units, lots of one load are paired."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import combinations
from typing import Literal

import numpy as np
from sqlalchemy import Connection, RowMapping, bindparam, text

from ingest.audit.limit_entries import with_entered_limits
from ingest.common.errors import CallError
from ingest.common.instants import from_microseconds, microseconds
from ingest.common.json_text import from_json
from ingest.config.lab import Lab
from ingest.documents.served import iso
from ingest.documents.verdict.comparison import Answer, Candidate, ComparedLot, Comparison, Pair
from ingest.store.last_round import last_round
from ingest.verdict.movement import movements, moves
from spc import comparison, multiplicity
from spc.comparison import Difference
from spc.multiplicity import Together
from spc.vocabulary.enums import Scale

__all__ = ["MOST_CANDIDATES", "Request", "compare"]

MOST_CANDIDATES = 30
USUAL_DAYS = 365
LEAST_LOADS = 5
RISK = 0.05
POWER = 0.8

LOTS_SQL = text("""
SELECT t.supplier, t.product, l.lot, s.started_us, s.level, s.level_unit, s.bags, s.chamber_id, s.instrument_id,
d.text AS load, c.document FROM session s JOIN stream t ON t.id = s.stream_id JOIN lot l ON l.id = s.lot_id
JOIN label d ON d.id = s.load_id LEFT JOIN conformity c ON c.session_id = s.id LEFT JOIN mark m ON m.session_id = s.id
WHERE s.stream_id IN :streams AND s.conditioning = 'valid' AND s.started_us >= :since AND s.started_us < :until
AND (m.session_id IS NULL OR m.settled = 'stands as written') ORDER BY s.started_us, l.lot
""").bindparams(bindparam("streams", expanding=True))


@dataclass(frozen=True, slots=True)
class Request:
    """What is compared: candidates as supplier and product, first day and day after the last, margin in percent.

    With `split_at` a single candidate is compared with itself: its lots before that day and those since. With `in_use`, one of
    the candidates, each other one is compared with it alone.
    """

    characteristic: str
    candidates: tuple[tuple[str, str], ...]
    since: date | None = None
    until: date | None = None
    split_at: date | None = None
    margin_percent: float | None = None
    in_use: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True)
class _Lots:
    """The lots of a candidate in the charted scale."""

    stream: int
    rows: list[RowMapping]
    levels: list[float]
    variances: list[float]
    blocks: list[str]
    instruments: set[int]
    left_out: int


def compare(connection: Connection, lab: Lab, request: Request) -> Comparison:
    """Compare the candidates.

    Raises
    ------
    CallError
        Where fewer than two candidates are named, one has no stream or is a check standard, or a number is out of range.
    """
    _check(lab, request)
    lab = with_entered_limits(connection, lab)
    declared = lab.characteristic(request.characteristic)
    log = Scale(declared.scale) == Scale.LOG
    drawn_up = last_round(connection)
    assert drawn_up is not None  # The store has a stream, so a round made it
    streams = [_stream(connection, request.characteristic, *one) for one in request.candidates]
    until = request.until or _last_day(connection, lab, streams)
    since = request.since or until - timedelta(days=USUAL_DAYS)
    lots = _lots(connection, lab, streams, request.candidates, since, until)
    moving = _moving(connection, lab, lots, since, until)
    times = [""] * len(lots)
    if request.split_at is not None:
        # The question is whether the level moved, so that a move is no reason against an answer.
        lots, times, moving = _split(lots[0], request.split_at, lab), ["before", "since"], set()
    better = _better(lab, request)
    margin = request.margin_percent if request.margin_percent is not None else declared.margin_percent
    candidates = [
        _candidate(connection, lab, names, when, own, own.stream in moving, log)
        for names, when, own in zip(
            request.candidates * (len(lots) // len(request.candidates)), times, lots, strict=True
        )
    ]
    in_use = None if request.in_use is None else request.candidates.index(request.in_use)
    pairs = _pairs(candidates, lots, better, margin, log, in_use)
    return {
        "characteristic": request.characteristic,
        "unit": declared.unit,
        "scale": Scale(declared.scale),
        "since": since.isoformat(),
        "until": until.isoformat(),
        "split_on": None if request.split_at is None else request.split_at.isoformat(),
        "drawn_up_at": iso(drawn_up, lab.zone),
        "better": better,
        "margin_percent": margin,
        "margin_from": "the question" if request.margin_percent is not None else "lab.toml" if margin else "nowhere",
        "in_use": in_use,
        "candidates": candidates,
        "pairs": pairs,
        "differ_p_value": _overall(lots),
    }


def _check(lab: Lab, request: Request) -> None:
    if not lab.is_declared(request.characteristic):
        raise CallError(f"compare: {request.characteristic} is no characteristic that lab.toml declares")
    if request.split_at is not None and len(request.candidates) != 1:
        raise CallError("compare: a split compares one candidate with itself; name one SUPPLIER PRODUCT")
    if request.split_at is None and not 2 <= len(request.candidates) <= MOST_CANDIDATES:
        raise CallError(
            f"compare: name 2 to {MOST_CANDIDATES} candidates as SUPPLIER PRODUCT, got {len(request.candidates)}"
        )
    if len(set(request.candidates)) < len(request.candidates):
        raise CallError("compare: each candidate may be named once")
    if request.in_use is not None and request.in_use not in request.candidates:
        raise CallError(f"compare: {' '.join(request.in_use)} is in use and no candidate; name it as a candidate too")
    if request.margin_percent is not None and not 0 < request.margin_percent < 100:
        raise CallError(f"compare: margin must be a percentage above 0 and below 100, got {request.margin_percent:g}")
    if request.since is not None and request.until is not None and request.since >= request.until:
        raise CallError(f"compare: the first day must be before the last, got {request.since} and {request.until}")


def _stream(connection: Connection, characteristic: str, supplier: str, product: str) -> int:
    result = connection.exec_driver_sql(
        "SELECT id FROM stream WHERE supplier = ? AND product = ? AND characteristic = ?",
        (supplier, product, characteristic),
    ).scalar()
    if result is None:
        raise CallError(
            f"compare: there is no stream {supplier} {product}, {characteristic}; lotdrift board lists them all"
        )
    return int(result)


def _last_day(connection: Connection, lab: Lab, streams: Sequence[int]) -> date:
    """The day after the newest test of these streams."""
    newest = connection.execute(
        text("SELECT MAX(started_us) FROM session WHERE stream_id IN :streams").bindparams(
            bindparam("streams", expanding=True)
        ),
        {"streams": list(streams)},
    ).scalar()
    return from_microseconds(newest or 0).astimezone(lab.zone).date() + timedelta(days=1)


def _lots(
    connection: Connection,
    lab: Lab,
    streams: Sequence[int],
    names: Sequence[tuple[str, str]],
    since: date,
    until: date,
) -> list[_Lots]:
    """The first valid session of each lot in the window, by candidate."""
    span = {
        key: microseconds(datetime.combine(day, time(), lab.zone)) for key, day in (("since", since), ("until", until))
    }
    rows = connection.execute(LOTS_SQL, {"streams": list(streams), **span}).mappings().all()
    result = []
    for stream, (supplier, product) in zip(streams, names, strict=True):
        first: dict[str, RowMapping] = {}
        for row in rows:
            if (row["supplier"], row["product"]) == (supplier, product):
                first.setdefault(row["lot"], row)
        measured = [row for row in first.values() if row["level"] is not None]
        result.append(
            _Lots(
                stream,
                measured,
                [row["level"] for row in measured],
                [_sampling(row) for row in measured],
                [_block(row, lab) for row in measured],
                {row["instrument_id"] for row in measured},
                len(first) - len(measured),
            )
        )
    return result


def _split(own: _Lots, day: date, lab: Lab) -> list[_Lots]:
    """The lots of one candidate before a day and since."""
    edge = microseconds(datetime.combine(day, time(), lab.zone))
    result = []
    for since in (False, True):
        kept = [place for place, row in enumerate(own.rows) if (row["started_us"] >= edge) == since]
        levels, variances = ([whole[place] for place in kept] for whole in (own.levels, own.variances))
        rows, blocks = [own.rows[place] for place in kept], [own.blocks[place] for place in kept]
        result.append(_Lots(own.stream, rows, levels, variances, blocks, {row["instrument_id"] for row in rows}, 0))
    return result


def _sampling(row: RowMapping) -> float:
    """Variance that its bags and readings give a level; 0 where it is not known."""
    sd = from_json(row["document"])["bag_mean_sd"] if row["document"] else None
    return 0.0 if sd is None else float(sd**2 / row["bags"])


def _block(row: RowMapping, lab: Lab) -> str:
    """What lots that were tested together share: the load where it is named, else the day, chamber and instrument."""
    if row["load"]:
        return f"load {row['load']}"
    day = from_microseconds(row["started_us"]).astimezone(lab.zone).date().isoformat()
    return f"{day}, chamber {row['chamber_id']}, instrument {row['instrument_id']}"


def _moving(connection: Connection, lab: Lab, lots: Sequence[_Lots], since: date, until: date) -> set[int]:
    """The streams whose level moves inside the window."""
    start, end = (microseconds(datetime.combine(day, time(), lab.zone)) for day in (since, until))
    stored = movements(connection, [one.stream for one in lots])
    return {
        one.stream
        for one in lots
        if moves(stored[one.stream], start, end, [row["started_us"] for row in one.rows], one.levels)
    }


def _better(lab: Lab, request: Request) -> Literal["low", "high", "none"]:
    """The side of good levels, from the limits of the candidates: under an upper limit low ones are better."""
    sides = set()
    for _, product in request.candidates:
        steps = {side: lab.limit_steps(product, request.characteristic, side) for side in ("lower", "upper")}
        sides |= {side for side, own in steps.items() if any(step.value is not None for step in own)}
    if len(sides) != 1:
        return "none"
    return "low" if sides == {"upper"} else "high"


def _candidate(
    connection: Connection, lab: Lab, names: tuple[str, str], when: str, own: _Lots, moves: bool, log: bool
) -> Candidate:
    supplier, product = names
    if lab.is_check_standard(supplier, product):
        raise CallError(f"compare: {supplier} {product} is a check standard of the bench and no film to compare")
    stored = connection.exec_driver_sql("SELECT board FROM evaluation WHERE stream_id = ?", (own.stream,)).scalar()
    board = from_json(stored) if stored else {}
    lower, upper = board.get("limit_lower"), board.get("limit_upper")
    mean = float(np.mean(own.levels)) if own.levels else None
    now = board.get("level")
    # The mean of a level that moved stands nowhere: its room is the present one.
    stands = (math.log(now) if log else now) if moves and now is not None else mean
    room = None
    if stands is not None and (lower is not None or upper is not None):
        edges = [
            side * ((math.log(edge) if log else edge) - stands)
            for side, edge in ((-1, lower), (1, upper))
            if edge is not None
        ]
        room = 100 * math.expm1(min(edges)) if log else min(edges)
    lots: list[ComparedLot] = [
        {
            "lot": row["lot"],
            "tested_at": iso(row["started_us"], lab.zone),
            "level": row["level_unit"] if row["level_unit"] is not None else _unit(row["level"], log),
            "block": block,
        }
        for row, block in zip(own.rows, own.blocks, strict=True)
    ]
    return {
        "supplier": supplier,
        "product": product,
        "time": when,
        "lots": lots,
        "left_out": own.left_out,
        "level": None if mean is None else _unit(mean, log),
        "spread": float(np.std(own.levels, ddof=1)) if len(own.levels) > 1 else None,
        "level_now": now,
        "level_now_bound": board.get("level_bound", 0),
        "moves": moves,
        "limit_lower": lower,
        "limit_upper": upper,
        "room": room,
        "not_shown_worse": True,
    }


def _unit(level: float, log: bool) -> float:
    return math.exp(level) if log else level


# Pairs


def _pairs(
    candidates: list[Candidate],
    lots: list[_Lots],
    better: str,
    margin: float | None,
    log: bool,
    in_use: int | None,
) -> list[Pair]:
    """The pairs that are asked: all of them, or the one in use with each other one."""
    result: list[tuple[int, int, Difference | None, dict[str, object]]] = []
    asked = (
        list(combinations(range(len(lots)), 2))
        if in_use is None
        else [(in_use, other) for other in range(len(lots)) if other != in_use]
    )
    for first, second in asked:
        difference, about = _difference(candidates, lots[first], lots[second], first, second, log)
        result.append((first, second, difference, about))
    known = [difference for _, _, difference, _ in result if difference is not None]
    together, one_sided = (_together(known, len(lots), in_use, confidence) for confidence in (1 - RISK, 1 - 2 * RISK))
    pairs: list[Pair] = []
    place = 0
    for first, second, difference, about in result:
        if difference is None or together is None or one_sided is None:
            pairs.append(_no_answer(first, second, about))
            continue
        low, high, p = (float(part[place]) for part in (together.low, together.high, together.p_value))
        ends = float(one_sided.low[place]), float(one_sided.high[place])
        place += 1
        pairs.append(_pair(first, second, difference, about, (low, high, p), ends, better, margin, log))
    _name_the_best(candidates, pairs)
    return pairs


def _together(known: list[Difference], groups: int, in_use: int | None, confidence: float) -> Together | None:
    if not known:
        return None
    if in_use is None:
        return multiplicity.all_pairs(known, groups, confidence)
    return multiplicity.against_one(known, confidence)


def _overall(lots: list[_Lots]) -> float | None:
    """P value of no difference between any of the candidates; None where it can't be given."""
    groups = [own.levels for own in lots if len(own.levels) > 1]
    if len(groups) < len(lots) or not any(np.ptp(own) > 0 for own in groups):
        return None
    return comparison.any_difference(groups).p_value


def _difference(
    candidates: list[Candidate], a: _Lots, b: _Lots, first: int, second: int, log: bool
) -> tuple[Difference | None, dict[str, object]]:
    """The difference of two candidates, paired where enough loads are shared; None with the reason where none is given."""
    shared = sorted(set(a.blocks) & set(b.blocks))
    about: dict[str, object] = {
        "paired": False,
        "loads": len(shared),
        "unpaired_change": None,
        "never_together": not shared and not a.instruments & b.instruments,
        "why": "",
    }
    for place, own in ((first, a), (second, b)):
        name = f"{candidates[place]['supplier']} {candidates[place]['product']}"
        if len(own.levels) < 2:
            about["why"] = (
                f"{name} has {len(own.levels)} measured lots in this time; at least two are needed, and ten show more"
            )
            return None, about
        if own.left_out > len(own.levels):
            about["why"] = f"most lots of {name} are beyond the range of the meter"
            return None, about
    moving = [
        f"{candidates[one]['supplier']} {candidates[one]['product']}"
        for one in (first, second)
        if candidates[one]["moves"]
    ]
    if moving:
        about["why"] = f"{' and '.join(moving)} moved in this time, so that one number does not describe it"
    try:
        apart = comparison.difference(a.levels, b.levels, a.variances, b.variances)
        if len(shared) >= LEAST_LOADS:
            means = [
                [
                    float(np.mean([x for x, block in zip(own.levels, own.blocks, strict=True) if block == one]))
                    for one in shared
                ]
                for own in (a, b)
            ]
            about |= {"paired": True, "unpaired_change": _change(apart.value, log)}
            return comparison.paired(*means), about
    except ValueError as error:
        about["why"] = str(error)
        return None, about
    return apart, about


def _pair(
    first: int,
    second: int,
    difference: Difference,
    about: dict[str, object],
    together: tuple[float, float, float],
    one_sided: tuple[float, float],
    better: str,
    margin: float | None,
    log: bool,
) -> Pair:
    answer: Answer = "not shown"
    sign = {"low": -1, "high": 1}.get(better, 0)
    width = None if margin is None else math.log1p(margin / 100) if log else None
    differs = together[2] < RISK
    is_beyond, alike = differs, None
    if width is not None:
        # With two candidates these are the two one-sided tests, each with its risk; with several they hold for all at once.
        above, below = one_sided[0] > -width, one_sided[1] < width
        alike = above and below
        # A difference that is real, but smaller than what matters, makes no candidate better or worse.
        is_beyond = together[0] > width or together[1] < -width
        if alike:
            answer = "alike"
        elif sign and (below if sign < 0 else above):
            answer = "no worse"
    if is_beyond:
        answer = "different" if sign == 0 else "better" if difference.value * sign > 0 else "worse"
    if about["why"]:
        answer = "no answer"
    return {
        "first": first,
        "second": second,
        "change": _change(difference.value, log),
        "change_low": _change(difference.low, log),
        "change_high": _change(difference.high, log),
        "change_low_together": _change(together[0], log),
        "change_high_together": _change(together[1], log),
        "p_value": together[2],
        "answer": answer,
        "differs": None if answer == "no answer" else differs,
        "alike": None if answer == "no answer" else alike,
        "lots_needed": None
        if answer != "not shown"
        else _needed(difference, width, sign, paired=bool(about["paired"])),
        **about,  # type: ignore[typeddict-item]  # its five keys
    }


def _needed(difference: Difference, width: float | None, sign: int, *, paired: bool) -> int | None:
    """Lots each that would decide, if the difference is as seen.

    They would show "no worse by the margin", or "alike" where no side is good, or a difference beyond the margin; without a
    margin a difference of this size. None where the difference is about the margin itself.
    """
    sd = difference.sd_a if paired else math.sqrt((difference.sd_a**2 + difference.sd_b**2) / 2)
    size = abs(difference.value)
    if not sd > 0:
        return None
    if width is not None and sign and -sign * difference.value < 0.9 * width:
        low, high = (-np.inf, width) if sign < 0 else (-width, np.inf)
        return comparison.lots_needed(sd, difference.value, low, high, POWER, RISK, pairs=paired)
    if width is not None and size < 0.9 * width:
        return comparison.lots_needed(sd, difference.value, -width, width, POWER, RISK, pairs=paired)
    if size <= 1.1 * (width or 0.0):
        return None
    return comparison.lots_needed(sd, size, width or 0.0, np.inf, POWER, RISK / 2, pairs=paired)


def _no_answer(first: int, second: int, about: dict[str, object]) -> Pair:
    return {
        "first": first,
        "second": second,
        "change": None,
        "change_low": None,
        "change_high": None,
        "change_low_together": None,
        "change_high_together": None,
        "p_value": None,
        "answer": "no answer",
        "differs": None,
        "alike": None,
        "lots_needed": None,
        **about,  # type: ignore[typeddict-item]  # its five keys
    }


def _change(value: float, log: bool) -> float:
    """A difference of the charted scale in percent, or in the unit on a linear scale."""
    return 100 * math.expm1(min(value, 700.0)) if log else value


def _name_the_best(candidates: list[Candidate], pairs: list[Pair]) -> None:
    """Mark the candidates that another one is shown to be better than."""
    for pair in pairs:
        if pair["answer"] == "better":
            candidates[pair["first"]]["not_shown_worse"] = False
        elif pair["answer"] == "worse":
            candidates[pair["second"]]["not_shown_worse"] = False
