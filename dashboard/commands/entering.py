"""Commands by which a person enters something, with name and reason."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.common import (
    json_option,
    lab_option,
    print_json,
    signed_options,
    writing,
)

if TYPE_CHECKING:
    from ingest.decisions.limit_requests import LimitRequest
    from ingest.documents.entries import StoredEntryBody
    from ingest.documents.limit_change import LimitChange

__all__ = ["action", "baseline", "limit", "settle"]


@click.command()
@click.argument("supplier")
@click.argument("product")
@click.argument("characteristic")
@click.option("--from", "start", metavar="DAY", help="Set the limits again from the lots of this day on.")
@click.option("--take-back", metavar="DAY", help="Take back that the limits were set again from this day.")
@click.option("--leave-out", metavar="LOT", help="Leave this lot out of the lots that set the limits.")
@click.option("--put-back", metavar="LOT", help="Put a lot that was left out back in.")
@signed_options
@lab_option
@json_option
def baseline(supplier: str, product: str, characteristic: str, **given: Any) -> None:
    """Set a stream's control limits again from a day, or leave a lot out of them; the earlier ones stay in the history."""
    from ingest.audit import audit_log
    from ingest.common.errors import CallError
    from ingest.decisions.limit_requests import LimitRequest

    days = {audit_log.SET_BASELINE: given["start"], audit_log.TAKE_BACK_BASELINE: given["take_back"]}
    lots = {audit_log.LEAVE_OUT: given["leave_out"], audit_log.PUT_BACK: given["put_back"]}
    asked = [change for change, value in {**days, **lots}.items() if value is not None]
    if len(asked) != 1:
        raise CallError("baseline: give one of --from DAY, --take-back DAY, --leave-out LOT, --put-back LOT")
    day, lot = days.get(asked[0]) or "", lots.get(asked[0]) or ""
    change_limits(LimitRequest(asked[0], supplier, product, characteristic, day=day, lot=lot), given)


@click.command()
@click.argument("product")
@click.argument("characteristic")
@click.option("--upper", metavar="VALUE", help="The new upper limit in the unit, or none.")
@click.option("--lower", metavar="VALUE", help="The new lower limit in the unit, or none.")
@click.option("--take-back", metavar="SIDE", help="Take back the upper or lower limit that was entered from the day.")
@click.option("--from", "start", metavar="DAY", required=True, help="The day from which it holds.")
@click.option("--document", default="", help="The document it rests on.")
@signed_options
@lab_option
@json_option
def limit(product: str, characteristic: str, **given: Any) -> None:
    """Change the limit of a product from a day, for all its suppliers; earlier lots keep their verdicts."""
    from ingest.audit import audit_log
    from ingest.common.errors import CallError
    from ingest.decisions.limit_requests import LimitRequest

    asked = [side for side in ("upper", "lower", "take_back") if given[side] is not None]
    if len(asked) != 1:
        raise CallError("limit: give one of --upper VALUE, --lower VALUE, --take-back SIDE")
    taken_back = asked[0] == "take_back"
    request = LimitRequest(
        audit_log.TAKE_BACK_LIMIT if taken_back else audit_log.CHANGE_LIMIT, "", product, characteristic, day=given["start"],
        side=given["take_back"] if taken_back else asked[0], value="" if taken_back else given[asked[0]],
        document=given["document"],
    )  # fmt: skip
    change_limits(request, given)


def change_limits(request: LimitRequest, given: dict[str, Any]) -> None:
    """Show what a change of limits would do, or do it and say what it did."""
    from dashboard.text.limit_change_text import listing
    from ingest.common.clock import now
    from ingest.common.errors import CallError
    from ingest.config.lab import load
    from ingest.decisions.limit_change_preview import carry_out, preview
    from ingest.decisions.limit_requests import as_entry
    from ingest.documents.served import served
    from ingest.store.store import known_store

    lab, only_shown = load(given["folder"]), given["preview"]
    store = known_store(lab.folder)
    if store is None:
        raise CallError("the lab has no store yet; do a first round with lotdrift run")
    with store.reading() if only_shown else store.writing() as connection:
        act = as_entry(connection, lab, request, given["by"], given["because"], now())
        seen = preview(connection, lab, act) if only_shown else carry_out(connection, lab, act)
    document: LimitChange = {"done": not only_shown, **served(seen.document, lab.zone)}
    unit = lab.characteristic(request.characteristic).unit
    print_json(document) if given["as_json"] else click.echo(listing(document, request, unit))


@click.command()
@click.argument("supplier")
@click.argument("lot")
@click.argument("characteristic")
@lab_option
@click.option("--tested", type=click.DateTime(["%Y-%m-%d"]), help="The day of the test, where several are marked.")
@click.option("--stands", "what", flag_value="stands as written", help="The values are right as they are.")
@click.option("--set-aside", "what", flag_value="set aside", help="They are wrong: the test leaves the chart.")
@click.option("--look-again", "what", flag_value="look again", help="Take back what was said before.")
@click.option("--by", required=True, help="Who decides.")
@click.option("--because", required=True, help="Why.")
def settle(
    folder: Path, supplier: str, lot: str, characteristic: str, tested: Any, what: str | None, by: str, because: str
) -> None:
    """Settle a test whose values look like a slip of the pen; no value is changed."""
    from ingest.audit import audit_log
    from ingest.common.clock import now
    from ingest.common.errors import CallError
    from ingest.common.instants import from_microseconds
    from ingest.rounds.recompute import derive
    from ingest.sessions import suspect_values

    if what is None:
        raise CallError("settle: say --stands, --set-aside or --look-again")
    with writing(folder) as (lab, connection):
        tests = suspect_values.marked_tests(connection, supplier, lot, characteristic)
        days = [from_microseconds(start).astimezone(lab.zone).date() for _, start in tests]
        chosen = [test for test, day in zip(tests, days, strict=True) if tested is None or day == tested.date()]
        if len(chosen) != 1:
            there = ", ".join(day.isoformat() for day in days) or "none"
            raise CallError(
                f"settle: marked tests of {supplier} lot {lot}, {characteristic}: {there}; name one with --tested"
            )
        names = (supplier, chosen[0][0], characteristic)
        body: StoredEntryBody = {"lot": lot, "started_us": chosen[0][1]}
        suspect_values.settle(
            connection, names, audit_log.AuditEntry(now(), by, what, audit_log.stream_subject(*names), because, body)
        )
        derive(connection, lab)
    click.echo(f"Recorded: {what}.")


@click.command()
@click.argument("alert")
@lab_option
@click.option("--asked", metavar="DAY", help="The day on which the supplier was asked.")
@click.option("--answered", metavar="DAY", help="The day on which the supplier answered.")
@click.option("--cause", default="", help="The cause, as the supplier tells it.")
@click.option("--action", "done", default="", help="What the supplier does about it.")
@click.option("--first-lot", "lot", default="", metavar="LOT", help="The first lot made after the action.")
@click.option("--by", required=True, help="Who enters it.")
@click.option("--because", default="", help="A remark (default: what was entered).")
def action(
    folder: Path,
    alert: str,
    asked: str | None,
    answered: str | None,
    cause: str,
    done: str,
    lot: str,
    by: str,
    because: str,
) -> None:
    """Record a corrective action: when the supplier was asked, what it answered, the first lot after."""
    from ingest.common.clock import now
    from ingest.common.errors import CallError
    from ingest.config.lab import load
    from ingest.decisions import corrective_actions
    from ingest.store.store import known_store

    fields = {"cause": cause, "action": done, "first_lot": lot}
    days = {corrective_actions.ASKED: asked, corrective_actions.ANSWERED: answered}
    steps = [(what, day) for what, day in days.items() if day is not None]
    steps = steps if answered is not None or not lot else [*steps, (corrective_actions.FIRST_LOT, "")]
    if not steps:
        raise CallError("action: give --asked DAY, --answered DAY or --first-lot LOT")
    lab, store = load(folder), known_store(folder)
    if store is None:
        raise CallError("the lab has no store yet; do a first round with lotdrift run")
    with store.writing() as connection:
        for what, day in steps:
            corrective_actions.record_step(
                connection, lab, alert, what, by, because or what, {"on": day, **fields}, now()
            )
    click.echo("Recorded. lotdrift alerts --all --json tells whether the lots after it show that it worked.")
