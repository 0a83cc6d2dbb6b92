"""A change of limits in words, for the terminal and for the page that shows it before it is done."""

from __future__ import annotations

from typing import Any

from dashboard.text.formatting import amount, characteristic, counted, day, listed
from ingest.audit.audit_log import CHANGE_LIMIT, LEAVE_OUT, PUT_BACK, SET_BASELINE, TAKE_BACK_BASELINE
from ingest.common.text import printable
from ingest.decisions.limit_requests import LimitRequest

__all__ = ["LOOSER", "asked", "bound", "difference", "in_force", "listing", "looser", "moving", "source"]

Document = Any

LOOSER = (
    "A looser limit lets lots pass that failed before. Enter it only where the document you work to and the person your "
    "procedure authorises allow it; no result here releases a lot."
)


def asked(request: LimitRequest, unit: str) -> str:
    """What is to be done, as an order."""
    what = f"{request.product}, {characteristic(request.characteristic)}"
    if request.change == SET_BASELINE:
        return f"Set the control limits of {request.supplier} {what} again from {day(request.day)}"
    if request.change == TAKE_BACK_BASELINE:
        return f"Take back that the control limits of {request.supplier} {what} were set again from {day(request.day)}"
    if request.change == LEAVE_OUT:
        return f"Leave lot {request.lot} out of the control limits of {request.supplier} {what}"
    if request.change == PUT_BACK:
        return f"Put lot {request.lot} back into the control limits of {request.supplier} {what}"
    if request.change == CHANGE_LIMIT:
        value = None if request.value.strip().lower() == "none" else float(request.value)
        return (
            f"Change the {request.side} limit of {what} to {bound(request.side, value, unit)} from {day(request.day)}"
        )
    return f"Take back the {request.side} limit of {what} that was entered from {day(request.day)}"


def bound(side: str, value: float | None, unit: str) -> str:
    """A limit of one side: "under 20.0 nJ", "at least 10⁴ Ω" or "no limit"."""
    if value is None:
        return "no limit"
    return f"{'under' if side == 'upper' else 'at least'} {amount(value, unit)}"


def source(step: Document) -> str:
    """Where a limit comes from: "lab.toml, 2018 edition" or "entered by A. Specialist, 3 Jan 2026, by contract 7: reason"."""
    if step["where"] == "lab.toml":
        return ", ".join(["lab.toml", *([step["document"]] if step["document"] else [])])
    document = f", by {step['document']}" if step["document"] else ""
    return f"entered by {step['who']}, {day(step['entered_at'])}{document}: {step['reason']}"


def in_force(document: Document) -> str:
    """Where the limits on the day of a stream's last lot come from."""
    last = document["points"][-1]["tested_at"][:10] if document["points"] else ""
    sources = []
    for steps in document["specification_limits"].values():
        begun = [step for step in steps if step["from"] is None or step["from"] <= last]
        sources += [source(step) for step in begun[-1:]]
    return "; ".join(dict.fromkeys(sources))


def looser(document: Document, side: str, unit: str) -> str | None:
    """That the new limit lets more pass, and than which."""
    if not document["looser_than"]:
        return None
    than = [f"{bound(side, step['value'], unit)} ({source(step)})" for step in document["looser_than"]]
    return f"Looser than {listed(than)}. {LOOSER}"


def difference(stream: Document) -> list[str]:
    """What would change in one stream, a sentence each."""
    return [_control(stream), *_verdicts(stream), *_stands_out(stream), _alerts(stream)]


def moving(stream: Document) -> list[str]:
    """A caution where the new control limits would rest on lots that still move."""
    before, after = (stream[key]["widened_for_dependence"] for key in ("limits_before", "limits_after"))
    if after is None or after == before:
        return []
    return [
        "The lots that would set these control limits resemble their neighbours, as they do while a level still moves: the "
        "limits are widened for it and would see little. A day after the move has ended gives narrower ones."
    ]


def _control(stream: Document) -> str:
    before, after, unit = stream["limits_before"], stream["limits_after"], stream["unit"]
    keys = ("center", "lower", "upper", "from_lots")
    if all(before[key] == after[key] for key in keys):
        return "The control limits now in force stay as they are."
    return f"Control limits now {_limits(before, unit)}; then {_limits(after, unit)}."


def _limits(limits: Document, unit: str) -> str:
    if limits["center"] is None:
        return "none"
    spread = f"{amount(limits['lower'], unit)} to {amount(limits['upper'], unit)}"
    return f"{spread}, usual {amount(limits['center'], unit)}, from {counted(limits['from_lots'], 'lot')}"


def _verdicts(stream: Document) -> list[str]:
    if not stream["verdicts"]:
        return ["No verdict changes."]
    changes: dict[tuple[str, str], list[str]] = {}
    for one in stream["verdicts"]:
        changes.setdefault((one["before"], one["after"]), []).append(one["lot"])
    return [
        f"{counted(len(lots), 'verdict')} from {before} to {after}: {listed(lots, 12)}."
        for (before, after), lots in sorted(changes.items())
    ]


def _stands_out(stream: Document) -> list[str]:
    changes = stream["stands_out"]
    told = [
        ("no longer stands out", "no longer stand out", [one["lot"] for one in changes if not one["after"]]),
        ("newly stands out", "newly stand out", [one["lot"] for one in changes if not one["before"]]),
        (
            "stands out for another reason",
            "stand out for other reasons",
            [one["lot"] for one in changes if one["before"] and one["after"]],
        ),
    ]
    return [
        f"{counted(len(lots), 'lot')} {one if len(lots) == 1 else many}: {listed(lots, 12)}."
        for one, many, lots in told
        if lots
    ]


def _alerts(stream: Document) -> str:
    go, stay, come = (len(stream["alerts"][key]) for key in ("go", "stay", "come"))
    if not go and not come:
        return (
            f"Alerts: {counted(stay, 'stays', 'stay')}, none goes, none comes." if stay else "No alert goes or comes."
        )
    return f"Alerts: {counted(go, 'goes', 'go')}, {counted(stay, 'stays', 'stay')}, {counted(come, 'comes', 'come')}."


def listing(document: Document, request: LimitRequest, unit: str) -> str:
    """The whole for a terminal."""
    head = f"{'Done' if document['done'] else 'Nothing is changed yet'}: {asked(request, unit)}."
    told = looser(document, request.side, unit)
    lines = [head, *([told] if told else [])]
    for stream in document["streams"]:
        lines.append(f"\n{stream['supplier']} {stream['product']}, {characteristic(stream['characteristic'])}")
        lines += [f"  {sentence}" for sentence in [*moving(stream), *difference(stream)]]
        lines += [
            f"  {word}: {alert['message']} ({alert['state']})"
            for key, word in (("go", "goes"), ("come", "comes"))
            for alert in stream["alerts"][key]
        ]
    return "\n".join(printable(line) for part in lines for line in part.split("\n"))
