"""A change of a decision rule: the request, what it would change, and the change itself.

The preview judges the tests of the streams in question by both rules and writes nothing. `carry_out_rule` records the entry and
evaluates those streams as a round does.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from typing import Literal, cast

from sqlalchemy import Connection

from ingest.audit.audit_log import (
    CHANGE_RULE,
    TAKE_BACK_RULE,
    AuditEntry,
    check_signed,
    entries_on,
    record,
)
from ingest.audit.limit_entries import entered_rules, entries_on_rules, with_entered_limits
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.common.instants import checked_day, microseconds
from ingest.common.json_text import as_json
from ingest.common.text import printable, quoted
from ingest.config.lab import LAB_FILE, Lab
from ingest.config.rule_history import looser_rule, rule_document, rule_on_day
from ingest.decisions.rule_differences import rule_differences
from ingest.decisions.rule_risks import risks_of_rules
from ingest.documents.entries import StoredEntryBody
from ingest.documents.verdict.conformity import Rule
from ingest.documents.verdict.rule_change import ChangedRisks, StoredRulePreview
from ingest.rounds.recompute import derive

__all__ = ["RULES", "RULE_CHANGES", "RuleRequest", "as_rule_entry", "carry_out_rule", "mark_of", "preview_rule"]

RULE_CHANGES = (CHANGE_RULE, TAKE_BACK_RULE)
RULES = ("simple", "guarded")
LONGEST = {"who": 80, "reason": 600, "wrong_pass": 20, "wrong_fail": 20}
GREATEST_RISK = 0.5


@dataclass(frozen=True, slots=True)
class RuleRequest:
    """A request as it was typed; a risk is written as 0.05 or 5 %, and is blank where there is no guard on that side."""

    change: str
    characteristic: str
    day: str
    rule: str = ""
    wrong_pass: str = ""
    wrong_fail: str = ""


def as_rule_entry(
    connection: Connection, lab: Lab, request: RuleRequest, who: str, reason: str, now: datetime
) -> AuditEntry:
    """The entry for a request; CallError where it is no rule, or nothing would be taken back.

    `who` and `reason` may be blank for a preview; `audit_log.record` requires both.
    """
    if request.change not in RULE_CHANGES:
        raise CallError(
            f"decision: {quoted(request.change)} is no change of a rule; expected {' or '.join(RULE_CHANGES)}"
        )
    texts = {"who": who, "reason": reason, "wrong_pass": request.wrong_pass, "wrong_fail": request.wrong_fail}
    for name, text in texts.items():
        if len(text) > LONGEST[name]:
            raise CallError(f"{request.change}: {name} is too long; write at most {LONGEST[name]} characters")
    if not lab.is_declared(request.characteristic):
        known = ", ".join(one.name for one in lab.characteristics)
        raise CallError(
            f"decision: {quoted(request.characteristic)} is no characteristic of {LAB_FILE}; expected {known}"
        )
    if lab.characteristic(request.characteristic).guard_percent:
        raise CallError(
            f"decision: {LAB_FILE} declares guard_percent for {request.characteristic}, and a declared guard and a computed "
            "one never add; declare decision there in its place"
        )
    subject, day = Subject.decision(request.characteristic), _day(request)
    if request.change == CHANGE_RULE:
        body = _rule(request, day)
    else:
        steps = entered_rules(entries_on(connection, subject)).get(request.characteristic, ())
        if all(step.rule.from_ != day for step in steps):
            raise CallError(
                f"{request.change}: nobody entered a decision rule from {day}; lotdrift stream shows the rules"
            )
        body = {"from": day.isoformat()}
    return AuditEntry(now, printable(who), request.change, subject, printable(reason), body)


def _rule(request: RuleRequest, day: date) -> StoredEntryBody:
    if request.rule not in RULES:
        raise CallError(f"decision: {quoted(request.rule)} is no decision rule; expected {' or '.join(RULES)}")
    wrong_pass, wrong_fail = _risk("wrong_pass", request.wrong_pass), _risk("wrong_fail", request.wrong_fail)
    if request.rule == "guarded" and wrong_pass is None:
        raise CallError("decision: a guarded rule needs the greatest chance of a wrong pass, such as 0.05 or 5 %")
    if request.rule == "simple" and (wrong_pass, wrong_fail) != (None, None):
        raise CallError("decision: a simple rule has no guard; leave the chances of a wrong pass and a wrong fail out")
    rule = cast(Literal["simple", "guarded"], request.rule)
    return {"from": day.isoformat(), "rule": rule, "wrong_pass": wrong_pass, "wrong_fail": wrong_fail}


def _risk(name: str, written: str) -> float | None:
    text = written.strip()
    if not text:
        return None
    try:
        value = float(text.removesuffix("%")) / (100.0 if text.endswith("%") else 1.0)
    except ValueError:
        value = 0.0
    if not 0 < value <= GREATEST_RISK:
        raise CallError(
            f"decision: {name}: expected a percentage above 0 and at most {100 * GREATEST_RISK:g} % with its sign, such as 5 %, "
            f"or the chance 0.05; got {quoted(written)}"
        )
    return float(f"{value:.9g}")


def _day(request: RuleRequest) -> date:
    try:
        return checked_day(request.change, date.fromisoformat(request.day.strip()))
    except ValueError as error:
        raise CallError(f"{request.change}: {quoted(request.day)} is no day; write it as 2026-03-18") from error


def preview_rule(connection: Connection, lab: Lab, entry: AuditEntry) -> StoredRulePreview:
    """What `entry` would change; reads only."""
    (characteristic,) = entry.subject.names
    before = with_entered_limits(connection, lab)
    after = replace(before, entered_rules=entered_rules([*entries_on_rules(connection), entry]))
    day = date.fromisoformat(entry.body["from"])
    old, new = (rule_on_day(one.rule_steps(characteristic), day) for one in (before, after))
    later = [step.rule.from_ for step in after.rule_steps(characteristic) if step.rule.from_ and step.rule.from_ > day]
    begin, end = (
        None if one is None else microseconds(datetime.combine(one, time(), lab.zone))
        for one in (day, min(later, default=None))
    )
    tested, differences = rule_differences(
        connection, before, after, characteristic, begin or 0, 2**62 if end is None else end
    )
    return {
        "change": cast(Literal["change decision rule", "take back decision rule"], entry.what),
        "characteristic": characteristic,
        "from": day.isoformat(),
        "before": rule_document(old),
        "after": rule_document(new),
        "until": None if not later else min(later).isoformat(),
        "tested": tested,
        "looser": looser_rule(new.rule, old.rule),
        "risks": list(_risks(connection, before, characteristic, (rule_document(old), rule_document(new)))),
        "streams": differences,
    }


def mark_of(shown: StoredRulePreview) -> str:
    """A digest of a preview; it differs where the entry would change something else by now."""
    # The name of the person stands in the rule only once it is signed.
    unsigned = {**shown, "after": {**shown["after"], "who": ""}}
    return hashlib.sha256(as_json(unsigned).encode()).hexdigest()[:16]


def carry_out_rule(connection: Connection, lab: Lab, entry: AuditEntry, shown: str | None = None) -> StoredRulePreview:
    """Record `entry` and evaluate the streams that it changes; what it changed.

    Raises
    ------
    CallError
        Where the entry has no name or reason; where `shown`, the mark of the preview that a person saw, is not that of what
        would be done now.
    """
    check_signed(entry)
    seen = preview_rule(connection, lab, entry)
    if shown is not None and shown != mark_of(seen):
        raise CallError(
            f"{entry.what}: readings, declarations or entries came in since the preview, and it would change something else "
            "now; look at the preview again"
        )
    record(connection, entry)
    connection.exec_driver_sql(
        "UPDATE stream SET stale = 1 WHERE characteristic = ? AND EXISTS "
        "(SELECT 1 FROM session WHERE session.stream_id = stream.id AND session.started_us >= ?)",
        (seen["characteristic"], microseconds(datetime.combine(date.fromisoformat(seen["from"]), time(), lab.zone))),
    )
    derive(connection, lab)
    return seen


def _risks(connection: Connection, lab: Lab, characteristic: str, rules: tuple[Rule, Rule]) -> Iterator[ChangedRisks]:
    rows = connection.exec_driver_sql(
        "SELECT id, supplier, product FROM stream WHERE characteristic = ? ORDER BY supplier, product",
        (characteristic,),
    )
    films = [tuple(row) for row in rows if not lab.is_check_standard(row.supplier, row.product)]
    pairs = risks_of_rules(connection, lab, {stream: product for stream, _, product in films}, characteristic, rules)
    for stream, supplier, product in films:
        if stream in pairs:
            before, after = pairs[stream]
            yield {"supplier": supplier, "product": product, "before": before, "after": after}
