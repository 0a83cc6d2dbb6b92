"""The output of the commands for people: plain text, one fact a line."""

from __future__ import annotations

from collections.abc import Sequence

from dashboard.text import lot_text
from dashboard.text.baseline_text import moving_baseline
from dashboard.text.bench import instrument_text
from dashboard.text.bench.bench_mark_text import mark_sentence
from dashboard.text.bench.capture_text import day_sentence, findings
from dashboard.text.bench.ready_text import (
    PROMISE,
    chamber_line,
    headline,
    load_line,
    lots_of,
    next_step,
    plan_line,
    sensor_warning,
    when,
)
from dashboard.text.bench.sensor_text import sensor_line
from dashboard.text.case_text import case_name, cases_headline, due_text, owner_text, standing
from dashboard.text.entry_text import reason
from dashboard.text.formatting import (
    chance_text,
    change,
    characteristic,
    complaints,
    counted,
    day,
    digits_of,
    futures,
    humidity,
    in_unit,
    moment,
    now_text,
    room_to_limit,
    stream_level,
    wander,
    weeks,
)
from dashboard.text.retest_text import REASONS, chambers_to_wait_for, silent_logs
from dashboard.text.retest_text import headline as retest_headline
from dashboard.text.shelf_text import in_stock
from dashboard.text.verdict.limit_change_text import in_force
from dashboard.text.verdict.verdict_text import bags_text, level_text
from ingest.common.text import capitalised, counted_lines, printable
from ingest.documents.alert import Alert
from ingest.documents.bench.instrument import Instrument, OverdueInstrument
from ingest.documents.bench.ready import ReadyDocument
from ingest.documents.bench.sensor import Sensor
from ingest.documents.case import Case
from ingest.documents.entries import HistoryEntry, User
from ingest.documents.find import FindDocument
from ingest.documents.lot import LotDocument
from ingest.documents.retest import ChamberState, Retest
from ingest.documents.rounds import CheckDocument, ReplayDocument
from ingest.documents.stream import BoardRow, StreamDocument
from ingest.evaluation.alert_text import outside_text

__all__ = [
    "alerts", "answers", "board", "cases", "check", "history", "instruments", "lot", "ready", "replay", "retests", "stream",
    "table", "users",
]  # fmt: skip


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns as wide as their cells; control characters in names are replaced."""
    lines = [[printable(cell) for cell in row] for row in [heads, *rows]]
    widths = [max(len(line[column]) for line in lines) for column in range(len(heads))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in lines
    )


def board(rows: Sequence[BoardRow], overdue: Sequence[OverdueInstrument] = ()) -> str:
    """The weekly board, below the instruments that are past their calibration date."""
    if not rows:
        return "No stream yet: put CSV files into the drop folders, then run lotdrift run."
    heads = (
        "state",
        "supplier",
        "product",
        "characteristic",
        "level",
        "limit",
        "change a month",
        "failing lot",
        "to the limit",
        "last lot",
    )
    return "\n".join([*_overdue(overdue), table(heads, [_board_line(row) for row in rows])])


def _overdue(overdue: Sequence[OverdueInstrument]) -> list[str]:
    return [printable(line)] if (line := instrument_text.overdue_line(overdue)) else []


def _board_line(row: BoardRow) -> list[str]:
    return [
        row["state"],
        row["supplier"],
        row["product"],
        characteristic(row["characteristic"]),
        stream_level(row),
        room_to_limit(row),
        change(row["change_percent_per_month"], digits_of(row)),
        chance_text(row["breach_probability"]),
        weeks(row["weeks_to_limit"]),
        ", ".join(
            part
            for part in (
                row["last_lot"] or "–",
                day(row["last_tested_at"]),
                outside_text(row["last_bags_outside"], row["last_bags"]),
            )
            if part
        ),
    ]


def stream(document: StreamDocument, row: BoardRow) -> str:
    """One stream as it stands on the board, and lot by lot, the newest last."""
    limits = document["limits"]
    control = f"control limits {in_unit(document, limits['lower'])} to {in_unit(document, limits['upper'])}"
    if limits["lower"] is None:
        control = "no settled limits yet"
    elif not limits.get("settled", True):
        control += ", not settled,"
    head = (
        f"{document['supplier']} {document['product']}, {characteristic(document['characteristic'])}: centre line "
        f"{in_unit(document, limits['center'])}, {control} "
        f"from {counted(limits['from_lots'], 'lot')}."
    )
    rows = [
        [
            point["lot"],
            day(point["tested_at"]),
            in_unit(document, point["shown"], point["bound"]),
            str(point["n"]),
            "look" if point["to_look_at"] else point["state"],
            ", ".join(name.replace("_", " ") for name in point["signals"]),
        ]
        for point in document["points"]
    ]
    time_left = weeks(row["weeks_to_limit"])
    standing = f"{capitalised(now_text(row))}; time to the limit: {time_left}."
    declared = in_force(document)
    bounds = (
        f"Specification limit: {room_to_limit(row)} ({declared})."
        if declared
        else "Specification limit: none declared."
    )
    moving = moving_baseline(document)
    return (
        printable(
            " ".join(
                part
                for part in (head + futures(document["forecast"], document), wander(document), humidity(document))
                if part
            )
        )
        + "\n"
        + printable(standing)
        + "\n"
        + printable(bounds)
        + "\n"
        + (printable(moving) + "\n" if moving else "")
        + table(("lot", "tested", "level", "readings", "test", "flags"), rows)
    )


def lot(document: LotDocument, likely: float) -> str:
    """One lot: what its page says first, session by session, and the alerts; `likely` is the chance that raises an alert."""
    name = f"{document['supplier']} {document['product']}, lot {document['lot']}"
    sessions = lot_text.by_day(document)
    parts = [f"{name}: {lot_text.headline(sessions)}.", lot_text.advice(document, sessions, likely)]
    if (decision := document["decision"]) is not None:
        parts.append(f"Reason of the decision: {decision['reason']}")
    parts += [f"{in_stock(row)} See lotdrift stock." for row in document["stock"]]
    for session in document["sessions"]:
        conditioning = session["conditioning"]
        hours = "" if conditioning["hours"] is None else f", {conditioning['hours']:.1f} h"
        parts.append(
            f"\n{characteristic(session['characteristic'])}, {session['tested_at']}: {session['verdict']}; level "
            f"{level_text(session['level'], session['level_range'], session)}, worst "
            f"{in_unit(session, session['worst'], session['worst_bound'])} against "
            f"{room_to_limit(session)}; "
            + (
                f"conditioning {conditioning['state']}{hours}"
                if conditioning["required"]
                else "no conditioning required"
            )
        )
        instrument = instrument_text.tested_on(session["bench"])
        facts = [f"tested with {instrument}"] if instrument else []
        facts.append(bags_text(session["bag_count"], session))
        facts += ["level outside the control limits"] if session["outside_control_limits"] else []
        facts.append(mark_sentence(session["bench_findings"], session["level"], session))
        parts += [capitalised(fact) for fact in facts if fact]
        if session["captures"] is not None:
            parts += findings(session)
        if session["mark"]:
            parts.append(f"{session['mark']['told']} ({session['mark']['settled'] or 'not cleared yet'}).")
        rows = [
            [
                str(r["specimen"]),
                str(r["reading"]),
                in_unit(session, r["value"], r["bound"]),
                r["file"],
                str(r["line"]),
                "look" if r["marked"] else "",
            ]
            for r in session["readings"]
        ]
        parts.append(table(("bag", "reading", "value", "file", "line", ""), rows))
    parts.append(alerts(document["alerts"]) if document["alerts"] else "This lot raised no alert.")
    if document["stream_alerts"]:
        parts += [f"{lot_text.STREAM_ALERTS}:", alerts(document["stream_alerts"])]
    return "\n".join(printable(line) for part in parts for line in part.split("\n"))


def alerts(documents: Sequence[Alert]) -> str:
    """Alerts, the newest first."""
    if not documents:
        return "No open alert."
    lines: list[str] = []
    for alert in documents:
        head = f"{alert['grade']:<4} {alert['state']:<12} {day(alert['raised_at']):<11} {alert['message']}"
        lines.append(printable(f"{head}  [{alert['id']}]"))
        if alert["now"] is not None:
            lines.append(printable(f"{'':30}{now_text(alert['now'])}"))
    return "\n".join(lines)


def answers(document: FindDocument) -> str:
    """What a search found."""
    if not document["answers"]:
        return printable(f'Nothing found for "{document["text"]}".')
    rows = [
        [one["kind"], one["name"], one["detail"], f"{one['lots_in_all']} lots" if one["lots"] else ""]
        for one in document["answers"]
    ]
    lines = table(("kind", "name", "of", "lots"), rows)
    return f"{lines}\nand more: write more of the name" if document["more"] else lines


def cases(documents: Sequence[Case]) -> str:
    """The cases, those that wait for a response first."""
    rows = [
        [
            one["grade"],
            case_name(one),
            standing(one),
            owner_text(one),
            due_text(one),
            day(one["opened_at"]),
            one["alert"],
        ]
        for one in documents
    ]
    heads = ("grade", "case", "state", "owner", "due", "since", "alert")
    return "\n".join([cases_headline(documents), *([table(heads, rows)] if rows else [])])


def retests(documents: Sequence[Retest], chambers: Sequence[ChamberState], overdue: Sequence[OverdueInstrument]) -> str:
    """The lots to test again, the chambers in which no test is valid yet, and the instruments past their calibration date."""
    heads = ("supplier", "product", "lot", "characteristic", "reason", "since", "what to do")
    rows = [
        [
            one["supplier"],
            one["product"],
            one["lot"],
            characteristic(one["characteristic"]),
            REASONS[one["reason"]],
            day(one["since_at"]),
            one["to_do"],
        ]
        for one in documents
    ]
    lines = [
        printable(line)
        for line in (retest_headline(documents), *chambers_to_wait_for(chambers), *silent_logs(chambers))
    ]
    return "\n".join([*lines, *_overdue(overdue), *([table(heads, rows)] if rows else [])])


def replay(document: ReplayDocument) -> str:
    """The board and the open alerts of a past day."""
    head = f"As of the end of {document['day']}, from the tests up to then:"
    return "\n\n".join([head, board(document["board"]), alerts(document["alerts"])])


def instruments(documents: Sequence[Instrument], sensors: Sequence[Sensor]) -> str:
    """Every instrument, the lots that one which was found off has touched, and the humidity sensors."""
    lines = [instrument_text.headline(documents), instrument_text.next_step(documents)]
    for one in documents:
        lines += ["", instrument_text.instrument_line(one)]
        lines += [warning] if (warning := instrument_text.wide_check_line(one)) else []
        lines += [
            f"  Set-up check of {day(check['at'])} {instrument_text.check_reading(check)}: {instrument_text.check_words(check)}."
            for check in instrument_text.since_last_good(one["checks"])
        ]
        lines += [f"  {day_sentence(each)}" for each in one["capture_days"]]
        for sheet in one["found_off"]:
            lines.append(instrument_text.found_off_line(sheet))
            for place, lot in enumerate(sheet["lots"]):
                if lot["changes"]:
                    levels = ", ".join(instrument_text.levels(sheet, place))
                    name = f"{lot['supplier']} {lot['lot']}, {characteristic(lot['characteristic'])}"
                    lines.append(f"  {name}: {instrument_text.turns(lot['changes'])} ({levels})")
    lines += ["", *map(sensor_line, sensors)] if sensors else []
    return "\n".join(printable(line) for line in lines)


def ready(document: ReadyDocument) -> str:
    """What may be tested now, and when the rest."""
    lines = [headline(document), next_step(document), *_overdue(document["overdue"])]
    for chamber in document["chambers"]:
        lines += ["", chamber_line(chamber), *filter(None, [sensor_warning(chamber)])]
        for load in chamber["loads"]:
            lines += [
                f"  {load['load']}: {load_line(load)}",
                *(f"    {one}" for one in (plan_line(load), lots_of(load)) if one),
            ]
    if document["not_put_in"]:
        lines += ["", "Planned, but not put in:"]
    for plan in document["not_put_in"]:
        lines += [
            f"  {plan['load']}, chamber {plan['chamber']}: test planned for {when(plan['planned_at'])}",
            f"    {lots_of(plan)}",
        ]
    return "\n".join(printable(line) for line in [*lines, "", PROMISE])


def check(document: CheckDocument) -> str:
    """The result of a check."""
    if not document["files"]:
        return "\n".join(["lab.toml is in order. No drop to read.", *map(printable, document["unread"])])
    rows = [
        [file["name"], file["kind"], file["state"], str(file["rows"]), str(file["refused"]), str(file["omitted"])]
        for file in document["files"]
    ]
    files = table(("file", "kind", "state", "rows", "refused", "left out"), rows)
    lines = [
        *counted_lines(complaints(document["files"], "reason")),
        *counted_lines(complaints(document["files"], "note")),
        *counted_lines((f"{item['file']}, line {item['line']}", item["reason"]) for item in document["refusals"]),
        *document["unread"],
        *document["similar_names"],
    ]
    return "\n".join([files, *map(printable, lines)])


def history(entries: Sequence[HistoryEntry]) -> str:
    """The entries of people."""
    if not entries:
        return "No entries yet."
    rows = [[moment(one["at"]), one["who"], one["what"], one["about"], reason(one)] for one in entries]
    return table(("when", "who", "what", "about", "reason"), rows)


def users(documents: Sequence[User]) -> str:
    """The users of the dashboard."""
    if not documents:
        return "No user account: on this computer the dashboard needs no login."
    rows = [
        [
            one["name"],
            one["role"],
            day(one["made_at"]),
            f"closed {day(one['closed_at'])}" if one["closed_at"] else "open",
        ]
        for one in documents
    ]
    return table(("name", "role", "made", "state"), rows)
