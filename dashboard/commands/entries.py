"""Commands by which a person makes an entry, with name and reason."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from dashboard.commands.common import json_option, lab_option, lab_store, print_json, signed_options
from dashboard.text.verdict.limit_change_text import listing
from dashboard.text.verdict.rule_text import rule_listing
from ingest.audit import audit_log
from ingest.audit.subjects import Subject
from ingest.common.clock import now
from ingest.common.errors import CallError
from ingest.common.instants import from_microseconds
from ingest.decisions import corrective_actions
from ingest.decisions.cases import ASSIGN, assign
from ingest.decisions.limit_change_preview import carry_out, preview
from ingest.decisions.limit_requests import LimitRequest, as_entry
from ingest.decisions.rule_change import RuleRequest, as_rule_entry, carry_out_rule, preview_rule
from ingest.documents.entries import StoredEntryBody
from ingest.documents.served import served
from ingest.documents.verdict.limit_change import LimitChange
from ingest.documents.verdict.rule_change import RuleChange
from ingest.intake.add_source import Signed, add_alias
from ingest.rounds.recompute import derive
from ingest.sessions import suspect_values

__all__ = ["action", "alias", "baseline", "decision", "limit", "settle"]


@click.command()
@click.argument("supplier")
@click.argument("product")
@click.argument("characteristic")
@click.option("--from", "start", metavar="DAY", help="Set a new baseline from the lots of this day on.")
@click.option("--take-back", metavar="DAY", help="Undo the new baseline of this day.")
@click.option("--leave-out", metavar="LOT", help="Exclude this lot from the baseline.")
@click.option("--put-back", metavar="LOT", help="Include an excluded lot again.")
@signed_options
@lab_option
@json_option
def baseline(
    folder: Path,
    supplier: str,
    product: str,
    characteristic: str,
    start: str | None,
    take_back: str | None,
    leave_out: str | None,
    put_back: str | None,
    by: str,
    because: str,
    preview: bool,
    as_json: bool,
) -> None:
    """Set a new baseline for a stream, or exclude a lot from it.

    The earlier baseline stays in the audit trail.
    """
    changes = [
        LimitRequest(change, supplier, product, characteristic, **{field: value})
        for change, field, value in (
            (audit_log.SET_BASELINE, "day", start),
            (audit_log.TAKE_BACK_BASELINE, "day", take_back),
            (audit_log.LEAVE_OUT, "lot", leave_out),
            (audit_log.PUT_BACK, "lot", put_back),
        )
        if value is not None
    ]
    if len(changes) != 1:
        raise CallError("baseline: give one of --from DAY, --take-back DAY, --leave-out LOT, --put-back LOT")
    _change_limits(folder, changes[0], by, because, only_preview=preview, as_json=as_json)


@click.command()
@click.argument("product")
@click.argument("characteristic")
@click.option("--upper", metavar="VALUE", help="The new upper limit in the characteristic's unit, or none.")
@click.option("--lower", metavar="VALUE", help="The new lower limit in the characteristic's unit, or none.")
@click.option("--take-back", metavar="SIDE", help="Undo the upper or lower limit that was entered for the day.")
@click.option("--from", "start", metavar="DAY", required=True, help="The first day on which the limit applies.")
@click.option("--document", default="", help="The document that sets the limit.")
@signed_options
@lab_option
@json_option
def limit(
    folder: Path,
    product: str,
    characteristic: str,
    upper: str | None,
    lower: str | None,
    take_back: str | None,
    start: str,
    document: str,
    by: str,
    because: str,
    preview: bool,
    as_json: bool,
) -> None:
    """Change a product's specification limit from a day on.

    The limit applies to all suppliers of the product. Earlier lots keep their verdicts.
    """
    if sum(value is not None for value in (upper, lower, take_back)) != 1:
        raise CallError("limit: give one of --upper VALUE, --lower VALUE, --take-back SIDE")
    request = LimitRequest(
        audit_log.CHANGE_LIMIT if take_back is None else audit_log.TAKE_BACK_LIMIT,
        "",
        product,
        characteristic,
        day=start,
        side=take_back if take_back is not None else "lower" if upper is None else "upper",
        value=upper or lower or "",
        document=document,
    )
    _change_limits(folder, request, by, because, only_preview=preview, as_json=as_json)


def _change_limits(
    folder: Path, request: LimitRequest, by: str, because: str, *, only_preview: bool, as_json: bool
) -> None:
    """Print what a change of limits does; carry it out unless it is only a preview."""
    lab, store = lab_store(folder)
    with store.reading() if only_preview else store.writing() as connection:
        entry = as_entry(connection, lab, request, by, because, now())
        effect = preview(connection, lab, entry) if only_preview else carry_out(connection, lab, entry)
    change: LimitChange = {"done": not only_preview, **served(effect.document, lab.zone)}
    unit = lab.characteristic(request.characteristic).unit
    print_json(change) if as_json else click.echo(listing(change, request, unit))


@click.command()
@click.argument("characteristic")
@click.option("--simple", "rule", flag_value="simple", help="The limit itself decides.")
@click.option("--guarded", "rule", flag_value="guarded", help="A lot passes only clear of the limit by a guard.")
@click.option(
    "--wrong-pass", default="", metavar="CHANCE", help="Guarded: greatest chance of a wrong pass, 0.05 or 5%."
)
@click.option(
    "--wrong-fail", default="", metavar="CHANCE", help="Guarded: greatest chance of a wrong fail; else no guard there."
)
@click.option("--take-back", is_flag=True, help="Undo the rule that was entered for the day.")
@click.option("--from", "start", metavar="DAY", required=True, help="The first day on which the rule applies.")
@signed_options
@lab_option
@json_option
def decision(
    folder: Path,
    characteristic: str,
    rule: str | None,
    wrong_pass: str,
    wrong_fail: str,
    take_back: bool,
    start: str,
    by: str,
    because: str,
    preview: bool,
    as_json: bool,
) -> None:
    """Change the decision rule of a characteristic from a day on.

    The rule applies to every product and supplier. Earlier tests keep theirs.
    """
    if (rule is None) != take_back:
        raise CallError("decision: give one of --simple, --guarded, --take-back")
    change = audit_log.TAKE_BACK_RULE if take_back else audit_log.CHANGE_RULE
    request = RuleRequest(change, characteristic, start, rule or "", wrong_pass, wrong_fail)
    lab, store = lab_store(folder)
    with store.reading() if preview else store.writing() as connection:
        entry = as_rule_entry(connection, lab, request, by, because, now())
        effect = preview_rule(connection, lab, entry) if preview else carry_out_rule(connection, lab, entry)
    shown: RuleChange = {"done": not preview, **served(effect, lab.zone)}
    print_json(shown) if as_json else click.echo(rule_listing(shown))


@click.command()
@click.argument("supplier")
@click.argument("lot")
@click.argument("characteristic")
@lab_option
@click.option(
    "--tested", type=click.DateTime(["%Y-%m-%d"]), help="The day of the test, if the lot has several suspect tests."
)
@click.option("--stands", "what", flag_value=suspect_values.STANDS, help="The values are right as written.")
@click.option(
    "--set-aside", "what", flag_value=suspect_values.SET_ASIDE, help="The values are wrong: the test leaves the chart."
)
@click.option("--look-again", "what", flag_value=suspect_values.LOOK_AGAIN, help="Undo the earlier decision.")
@click.option("--by", required=True, help="Your name.")
@click.option("--because", required=True, help="The reason.")
def settle(
    folder: Path,
    supplier: str,
    lot: str,
    characteristic: str,
    tested: datetime | None,
    what: str | None,
    by: str,
    because: str,
) -> None:
    """Clear a suspect test (unit or typing error).

    No value is changed.
    """
    if what is None:
        raise CallError("settle: give one of --stands, --set-aside, --look-again")
    lab, store = lab_store(folder)
    with store.writing() as connection:
        tests = suspect_values.marked_tests(connection, supplier, lot, characteristic)
        days = [from_microseconds(start).astimezone(lab.zone).date() for _, start in tests]
        chosen = [test for test, day in zip(tests, days, strict=True) if tested is None or day == tested.date()]
        if len(chosen) != 1:
            dates = ", ".join(day.isoformat() for day in days) or "none"
            raise CallError(
                f"settle: suspect tests of {supplier} lot {lot}, {characteristic}: {dates}; choose one with --tested"
            )
        names = (supplier, chosen[0][0], characteristic)
        body: StoredEntryBody = {"lot": lot, "started_us": chosen[0][1]}
        entry = audit_log.AuditEntry(now(), by, what, Subject.stream(*names), because, body)
        suspect_values.settle(connection, entry)
        derive(connection, lab)
    click.echo(f"Recorded: {what}.")


@click.command()
@click.argument("alert")
@lab_option
@click.option("--asked", metavar="DAY", help="The day on which you asked the supplier for corrective action.")
@click.option("--answered", metavar="DAY", help="The day on which the supplier answered.")
@click.option("--cause", default="", help="The cause stated by the supplier.")
@click.option("--action", "taken", default="", help="The corrective action stated by the supplier.")
@click.option("--first-lot", default="", metavar="LOT", help="The first lot made after the corrective action.")
@click.option("--owner", default="", metavar="NAME", help="Who has the case from now on.")
@click.option("--due", default="", metavar="DAY", help="The day until which the owner has to act.")
@click.option("--by", required=True, help="Your name.")
@click.option("--because", default="", help="A remark (default: the name of the step).")
def action(
    folder: Path,
    alert: str,
    asked: str | None,
    answered: str | None,
    cause: str,
    taken: str,
    first_lot: str,
    owner: str,
    due: str,
    by: str,
    because: str,
) -> None:
    """Record the steps of a corrective action on an alert.

    The steps are the request, the supplier's answer and the first corrected lot; the case may get an owner and a due date.
    """
    fields = {"cause": cause, "action": taken, "first_lot": first_lot}
    steps = [
        (step, day)
        for step, day in (
            (corrective_actions.ASKED, asked),
            (corrective_actions.ANSWERED, answered),
            (corrective_actions.FIRST_LOT, "" if first_lot and answered is None else None),
        )
        if day is not None
    ]
    if not steps and not owner and not due:
        raise CallError("action: give --asked DAY, --answered DAY, --first-lot LOT, --owner NAME or --due DAY")
    lab, store = lab_store(folder)
    with store.writing() as connection:
        for step, day in steps:
            corrective_actions.record_step(
                connection, lab, alert, step, by, because or step, {"on": day, **fields}, now()
            )
        if owner or due:
            assign(connection, lab, alert, by, because or ASSIGN, {"owner": owner, "due": due}, now())
    click.echo("Recorded. Run lotdrift cases to see how the case stands.")


@click.command()
@click.argument("column")
@click.argument("written")
@click.argument("name")
@lab_option
@click.option("--supplier", default="", metavar="NAME", help="Of a product or a lot: its supplier.")
@click.option("--product", default="", metavar="NAME", help="Of a lot: its product.")
@click.option("--by", required=True, help="Your name.")
@click.option("--because", required=True, help="The reason.")
def alias(
    folder: Path, column: str, written: str, name: str, supplier: str, product: str, by: str, because: str
) -> None:
    """Declare that a supplier, product or lot is written in two ways.

    COLUMN is supplier, product or lot. Files that write WRITTEN are read as NAME, and the next round moves what is stored.
    """
    declared = {"column": column, "written": written, "name": name, "supplier": supplier, "product": product}
    added = add_alias(folder, declared, Signed(by, now(), because))
    click.echo(
        f'Recorded in lab.toml: {added.column} "{added.written}" is read as "{added.name}". The next round moves what is stored: '
        "lotdrift run."
    )
