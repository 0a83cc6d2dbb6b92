"""The next step on a stream, from its open alerts and their corrective actions: a verb and an object, with where it is done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dashboard.queries.alert_order import urgent_first
from dashboard.text.formatting import counted, day
from dashboard.text.urls import STOCK, alert_address, lot_address
from ingest.decisions.corrective_actions import no_notice_because
from ingest.documents.alert import Alert, CorrectiveAction
from ingest.documents.case import Case
from ingest.documents.stream import BoardRow
from ingest.evaluation.alert_text import outside_text
from spc.vocabulary.enums import AlertState, Effectiveness, Grade, Kind

__all__ = ["NextStep", "decide_on_bags", "next_step"]


@dataclass(frozen=True, slots=True)
class NextStep:
    """What to do, the address where it is done, and what is known about it so far."""

    text: str
    address: str
    detail: str


def next_step(alerts: Sequence[Alert], cases: Sequence[Case]) -> NextStep | None:
    """The next step on one stream, by its most urgent alert that is not closed; None where nothing is open.

    `cases` have the due date of an answer that the lab waits for.
    """
    waiting = [one for one in urgent_first(alerts) if one["state"] != AlertState.CLOSED and not _is_dealt_with(one)]
    if not waiting:
        return None
    # The alert about which the supplier was asked leads: the others on the stream belong to the same conversation.
    asked = next((one for one in waiting if one["corrective_action"]), None)
    # An alert that the bench explains comes after those that concern the supplier.
    concerning = [one for one in waiting if not one["held_under"]]
    # Of these the ones that a decision on their lots answered come last.
    alert = asked or next(iter(sorted(concerning, key=_is_decided)), waiting[0])
    supplier, lot, address = alert["supplier"] or "", alert["lot"], alert_address(alert["id"])
    action = alert["corrective_action"]
    if action is not None:
        return _after_request(alert, action, waiting, cases)
    detected = f"detected {day(alert['raised_at'])}"
    if alert["evidence"].get("form") == "stock":
        return NextStep("See the stock", STOCK, detected)
    if _is_decided(alert) and not no_notice_because(alert):
        return NextStep(f"Ask {supplier}", address, f"lot {lot} decided, {supplier} not asked yet")
    if alert["state"] == AlertState.ACKNOWLEDGED:
        return NextStep("Review", address, f"acknowledged, {detected}")
    if no_notice_because(alert):
        return NextStep("See the bench finding", alert_address(alert["held_under"] or alert["id"]), detected)
    if alert["grade"] != Grade.ACT:
        return NextStep("Review", address, detected)
    return _decision(alert, f"{supplier} not asked yet") or NextStep(
        f"Ask {supplier}", address, f"not asked yet, {detected}"
    )


def decide_on_bags(row: BoardRow) -> NextStep:
    """The next step on a stream whose last lot passes while bags of it are outside the limit: no alert is about it."""
    lot = str(row["last_lot"])
    bags = outside_text(row["last_bags_outside"], row["last_bags"])
    return NextStep(f"Decide on {lot}", lot_address(row["supplier"], lot), f"passes on the mean, {bags}")


def _after_request(alert: Alert, action: CorrectiveAction, waiting: Sequence[Alert], cases: Sequence[Case]) -> NextStep:
    """The next step once the supplier was asked; a lot to decide is not left until the supplier answers."""
    supplier, address = alert["supplier"] or "", alert_address(alert["id"])
    if action["answered_on"] is None:
        since = f"asked {day(action['asked_on'])}, {counted(action['days_open'] or 0, 'day')} ago"
        case = next((one for one in cases if alert["id"] in one["alerts"]), None)
        if case is not None and case["due_on"] is not None and not case["overdue_days"]:
            wait = NextStep(f"Wait for the answer until {day(case['due_on'])}", address, since)
            decisions = (_decision(one, since) for one in waiting if one["grade"] == Grade.ACT)
            return next((one for one in decisions if one is not None), wait)
        return NextStep(f"Remind {supplier}", address, since)
    if action["result"] is None:
        return NextStep("Name the first corrected lot", address, f"{supplier} answered {day(action['answered_on'])}")
    if action["result"]["answer"] == Effectiveness.DID_NOT_WORK:
        return NextStep(f"Ask {supplier} again", address, "the action was not effective")
    if action["result"]["answer"] == Effectiveness.WORKED:
        return NextStep("Close the alert", address, "the action was effective")
    return NextStep("Test the next lots", address, "the action is not verified yet")


def _decision(alert: Alert, detail: str) -> NextStep | None:
    """The decision that a failed lot waits for; None where none does."""
    if alert["kind"] != Kind.LIMIT or not alert["lots_to_decide"]:
        return None
    supplier, first = alert["supplier"] or "", alert["lots_to_decide"][0]
    return NextStep(f"Decide on {first}", lot_address(supplier, first), detail)


def _is_decided(alert: Alert) -> bool:
    """Whether a person has decided on every lot that the alert names."""
    return alert["lots_to_decide"] == []


def _is_dealt_with(alert: Alert) -> bool:
    """Whether nothing is left to do: its lots are decided, and the supplier need not be asked."""
    return _is_decided(alert) and alert["grade"] != Grade.ACT and not alert["corrective_action"]
