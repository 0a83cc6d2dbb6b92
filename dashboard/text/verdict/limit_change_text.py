"""A change of limits in words, for the terminal and for the page that previews it."""

from __future__ import annotations

from typing import Literal

from dashboard.text.formatting import amount, characteristic, counted, day, in_unit, listed
from ingest.audit import audit_log
from ingest.common.text import printable
from ingest.decisions.limit_requests import LimitRequest
from ingest.documents.stream import Limit, StreamDocument
from ingest.documents.verdict.limit_change import LimitChange, LimitFigures, LimitPreview, StreamDifference

__all__ = ["LOOSER", "asked", "bound", "difference", "in_force", "listing", "looser", "moving", "source"]

LOOSER = (
    "A looser limit passes lots that failed before. Enter it only if the document you work to and the person whom your "
    "procedure authorises allow it. No result here releases a lot."
)


def asked(request: LimitRequest, unit: str) -> str:
    """The request as an instruction."""
    product = f"{request.product}, {characteristic(request.characteristic)}"
    # A change of one lot has no day.
    day_text = day(request.day) if request.day else ""
    stream = f"{request.supplier} {product}"
    match request.change:
        case audit_log.SET_BASELINE:
            return f"Start a new baseline of {stream} from {day_text}"
        case audit_log.TAKE_BACK_BASELINE:
            return f"Undo the new baseline of {stream} from {day_text}"
        case audit_log.LEAVE_OUT:
            return f"Exclude lot {request.lot} from the control limits of {stream}"
        case audit_log.PUT_BACK:
            return f"Include lot {request.lot} in the control limits of {stream} again"
        case audit_log.CHANGE_LIMIT:
            value = None if request.value.strip().lower() == "none" else float(request.value)
            return f"Change the {request.side} limit of {product} to {bound(request.side, value, unit)} from {day_text}"
        case _:
            return f"Undo the {request.side} limit of {product} that was entered from {day_text}"


def bound(side: str, value: float | None, unit: str) -> str:
    """A limit of one side: "under 20.0 nJ", "at least 10⁴ Ω" or "no limit"."""
    if value is None:
        return "no limit"
    return f"{'under' if side == 'upper' else 'at least'} {amount(value, unit)}"


def source(step: Limit) -> str:
    """The source of a limit: "lab.toml, 2018 edition" or "entered by A. Specialist, 3 Jan 2026, by contract 7: reason"."""
    if step["where"] == "lab.toml":
        return ", ".join(["lab.toml", *([step["document"]] if step["document"] else [])])
    document = f", by {step['document']}" if step["document"] else ""
    return f"entered by {step['who']}, {day(step['entered_at'])}{document}: {step['reason']}"


def in_force(document: StreamDocument) -> str:
    """The sources of the limits in force on the day of a stream's last lot."""
    last = document["points"][-1]["tested_at"][:10] if document["points"] else ""
    sources = []
    limits = document["specification_limits"]
    for steps in (limits["lower"], limits["upper"]):
        begun = [step for step in steps if step["from"] is None or step["from"] <= last]
        sources += [source(step) for step in begun[-1:]]
    return "; ".join(dict.fromkeys(sources))


def looser(document: LimitPreview, side: str, unit: str) -> str | None:
    """A caution that the new limit is looser, with the limit before; None if it is not."""
    if not document["looser_than"]:
        return None
    than = [f"{bound(side, step['value'], unit)} ({source(step)})" for step in document["looser_than"]]
    return f"Looser than {listed(than)}. {LOOSER}"


def difference(stream: StreamDifference) -> list[str]:
    """The changes in one stream, a sentence each."""
    return [_control(stream), *_verdicts(stream), *_signals(stream), _alerts(stream)]


def moving(stream: StreamDifference) -> list[str]:
    """A caution if the level of the new baseline lots still moves."""
    after = stream["limits_after"]["widened_for_dependence"]
    if after is None or after == stream["limits_before"]["widened_for_dependence"]:
        return []
    return [
        "The baseline lots are autocorrelated, as they are while a level still moves. The control limits are widened for it and "
        "would detect little. A day after the move has ended gives narrower limits."
    ]


KEYS: tuple[Literal["center", "lower", "upper", "from_lots"], ...] = ("center", "lower", "upper", "from_lots")


def _control(stream: StreamDifference) -> str:
    before, after = stream["limits_before"], stream["limits_after"]
    now, then = _limits(before, stream), _limits(after, stream)
    if all(before[key] == after[key] for key in KEYS):
        return "The control limits in force do not change."
    return f"Control limits now {now}; then {then}."


def _limits(limits: LimitFigures, stream: StreamDifference) -> str:
    if limits["center"] is None:
        return "none"
    spread = f"{in_unit(stream, limits['lower'])} to {in_unit(stream, limits['upper'])}"
    return f"{spread}, centre line {in_unit(stream, limits['center'])}, from {counted(limits['from_lots'], 'lot')}"


def _verdicts(stream: StreamDifference) -> list[str]:
    if not stream["verdicts"]:
        return ["No verdict changes."]
    changes: dict[tuple[str, str], list[str]] = {}
    for one in stream["verdicts"]:
        changes.setdefault((one["before"], one["after"]), []).append(one["lot"])
    return [
        f"{counted(len(lots), 'verdict')} from {before} to {after}: {listed(lots, 12)}."
        for (before, after), lots in sorted(changes.items())
    ]


def _signals(stream: StreamDifference) -> list[str]:
    changes = stream["stands_out"]
    groups = (
        ("no longer flagged", [one["lot"] for one in changes if not one["after"]]),
        ("newly flagged", [one["lot"] for one in changes if not one["before"]]),
        ("flagged for another reason", [one["lot"] for one in changes if one["before"] and one["after"]]),
    )
    return [f"{counted(len(lots), 'lot')} {change}: {listed(lots, 12)}." for change, lots in groups if lots]


CASES_STAY = "A case with a corrective action, an owner or a due date stays open without its alerts."


def _alerts(stream: StreamDifference) -> str:
    alerts = stream["alerts"]
    counts = f"Alerts: {len(alerts['go'])} closed, {len(alerts['stay'])} unchanged, {len(alerts['come'])} new."
    return f"{counts} {CASES_STAY}" if alerts["go"] else counts


def listing(document: LimitChange, request: LimitRequest, unit: str) -> str:
    """The change for a terminal, the alerts by name."""
    head = f"{'Done' if document['done'] else 'Preview, nothing is changed yet'}: {asked(request, unit)}."
    caution = looser(document, request.side, unit)
    lines = [head, *([caution] if caution else [])]
    for stream in document["streams"]:
        lines.append(f"\n{stream['supplier']} {stream['product']}, {characteristic(stream['characteristic'])}")
        lines += [f"  {sentence}" for sentence in [*moving(stream), *difference(stream)]]
        lines += [f"  closed: {alert['message']} ({alert['state']})" for alert in stream["alerts"]["go"]]
        lines += [f"  new: {alert['message']} ({alert['state']})" for alert in stream["alerts"]["come"]]
    return "\n".join(printable(line) for part in lines for line in part.split("\n"))
