"""A change of a decision rule: what its preview shows is what it does and what a round finds, and a preview writes nothing."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner
from support.demolab import copy_of, demo_lab

from dashboard.cli import main
from dashboard.schemas import schema
from ingest.audit.audit_log import CHANGE_RULE, TAKE_BACK_RULE, AuditEntry, record
from ingest.audit.limit_entries import entered_rules, entries_on_rules, with_entered_limits
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.common.streams import Stream
from ingest.config.lab import load
from ingest.config.rule_history import rule_on_day
from ingest.decisions.limit_change_preview import difference
from ingest.decisions.rule_change import RuleRequest, as_rule_entry, carry_out_rule, mark_of, preview_rule
from ingest.documents.verdict.rule_change import StoredRulePreview
from ingest.evaluation.evaluate_streams import evaluate, inputs_of
from ingest.rounds.recompute import derive
from ingest.store.store import open_store

NAME = "shielding_energy"
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
SIMPLE = RuleRequest(CHANGE_RULE, NAME, "2026-11-01", "simple")
GUARDED = RuleRequest(CHANGE_RULE, NAME, "2026-10-01", "guarded", "5 %", "0.05")
BACK = RuleRequest(TAKE_BACK_RULE, NAME, "2026-11-01")


@pytest.fixture
def folder(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Path:
    return copy_of(demo_lab(tmp_path_factory.getbasetemp()), tmp_path / "lab")


def shown(folder: Path, asked: RuleRequest) -> StoredRulePreview:
    lab = load(folder)
    with open_store(folder).reading() as connection:
        return preview_rule(connection, lab, as_rule_entry(connection, lab, asked, "", "", NOW))


def do(folder: Path, asked: RuleRequest, mark: str | None = None) -> StoredRulePreview:
    lab = load(folder)
    with open_store(folder).writing() as connection:
        entry = as_rule_entry(connection, lab, asked, "A. Specialist", "agreed with the customer", NOW)
        return carry_out_rule(connection, lab, entry, mark)


def stored(folder: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Everything that hangs on a decision rule."""
    tables = {
        "session": "SELECT id, verdict FROM session ORDER BY id",
        "conformity": "SELECT * FROM conformity ORDER BY session_id",
        "alert": "SELECT * FROM alert ORDER BY id",
        "point": "SELECT * FROM point ORDER BY stream_id, ordinal",
        "evaluation": "SELECT * FROM evaluation ORDER BY stream_id",
    }
    with open_store(folder).reading() as connection:
        return {name: [tuple(row) for row in connection.exec_driver_sql(sql)] for name, sql in tables.items()}


def verdict_of(folder: Path, lot: str) -> tuple[str, dict[str, Any]]:
    shown_steps = CliRunner().invoke(main, ["lot", "Brackenfoil", lot, "--json", "--lab", str(folder)])
    session = next(one for one in json.loads(shown_steps.stdout)["sessions"] if one["characteristic"] == NAME)
    return session["verdict"], session["conformity"]["rule"]


def test_what_was_shown_is_what_is_done_and_what_a_round_finds(folder: Path) -> None:
    digest = hashlib.sha256((folder / "lotdrift.db").read_bytes()).hexdigest()
    seen = shown(folder, SIMPLE)
    assert hashlib.sha256((folder / "lotdrift.db").read_bytes()).hexdigest() == digest
    # BF07191 is the one lot of the demo since November that only the guard keeps back.
    changed = {one["lot"]: (one["before"], one["after"]) for stream in seen["streams"] for one in stream["verdicts"]}
    assert changed == {"BF07191": ("undecided", "pass")}
    assert (seen["looser"], seen["until"], seen["before"]["rule"], seen["after"]["rule"]) == (
        True, None, "guarded", "simple",
    )  # fmt: skip
    assert seen["tested"] > 0

    do(folder, SIMPLE, mark_of(seen))

    assert verdict_of(folder, "BF07191") == (
        "pass",
        {"rule": "simple", "wrong_pass": None, "wrong_fail": None, "from": "2026-11-01", "who": "A. Specialist"},
    )
    at_once = stored(folder)
    with open_store(folder).writing() as connection:
        connection.exec_driver_sql("UPDATE stream SET stale = 1")
        derive(connection, load(folder))
    assert stored(folder) == at_once


WORST = 'judged = "worst"'
STRICT = "\nlower_limit = [ { value = 4.0 } ]\nupper_limit = [ { value = 17.0 } ]\n"


@pytest.mark.parametrize(
    ("declared", "asked"),
    [
        ("", SIMPLE),
        ("", RuleRequest(CHANGE_RULE, NAME, "2025-01-01", "guarded", "1 %")),
        (WORST, RuleRequest(CHANGE_RULE, NAME, "2025-09-10", "guarded", "5 %", "5 %")),
        (STRICT, RuleRequest(CHANGE_RULE, NAME, "2026-01-01", "guarded", "5 %", "1 %")),
        (STRICT, RuleRequest(CHANGE_RULE, NAME, "2025-01-01", "guarded", "5 %")),
    ],
)
def test_the_preview_is_the_difference_of_two_evaluations(folder: Path, declared: str, asked: RuleRequest) -> None:
    # The preview judges stored levels and evaluates nothing; the evaluation of the stream is the second route.
    if declared:
        text = (folder / "lab.toml").read_text(encoding="utf-8")
        start = text.index("upper_limit = [ { value = 50.0")
        limits = text[start : text.index("\n", start)] if declared == WORST else ""
        text = text[:start] + declared + "\n" + limits + text[text.index("\n", start) :]
        if declared == WORST:
            text = text.replace('judged = "mean"\n', "", 1)
        (folder / "lab.toml").write_text(text, encoding="utf-8")
    do(folder, RuleRequest(CHANGE_RULE, NAME, "2026-10-15", "guarded", "2 %", "2 %"))
    lab = load(folder)
    store = open_store(folder)
    with store.writing() as connection:
        connection.exec_driver_sql("UPDATE stream SET stale = 1")
        derive(connection, lab)
        # A person closed every second open alert about undecided lots.
        alerts = connection.exec_driver_sql(
            "SELECT id FROM alert WHERE kind = 'limit' AND state = 'open' ORDER BY id"
        ).scalars()
        for name in list(alerts)[::2]:
            record(connection, AuditEntry(NOW, "A. Specialist", "close", Subject.alert(name), "known", {}))
    with store.reading() as connection:
        entry = as_rule_entry(connection, lab, asked, "", "", NOW)
        seen = preview_rule(connection, lab, entry)
        before = with_entered_limits(connection, lab)
        after = replace(before, entered_rules=entered_rules([*entries_on_rules(connection), entry]))
        rows = connection.exec_driver_sql(
            "SELECT id, supplier, product, characteristic FROM stream WHERE characteristic = ? ORDER BY supplier, product",
            (NAME,),
        )
        inputs = list(inputs_of(connection, [Stream(*row) for row in rows]).values())
        expected = [
            difference(connection, now, then)
            for now, then in zip(evaluate(before, inputs), evaluate(after, inputs), strict=True)
        ]
    expected = [one for one in expected if one["verdicts"] or one["alerts"]["go"] or one["alerts"]["come"]]
    assert expected
    keys = ("supplier", "product", "verdicts")
    assert [[one[key] for key in keys] for one in seen["streams"]] == [[one[key] for key in keys] for one in expected]
    for one, other in zip(seen["streams"], expected, strict=True):
        for way in ("go", "come"):
            assert sorted(alert.items() for alert in one["alerts"][way]) == sorted(  # type: ignore[literal-required]
                {key: alert[key] for key in ("id", "kind", "lot", "raised_us")}.items()
                for alert in other["alerts"][way]  # type: ignore[literal-required]
            )


def test_taking_a_rule_back_leaves_the_store_as_it_was(folder: Path) -> None:
    before = stored(folder)
    do(folder, SIMPLE)
    assert stored(folder) != before

    do(folder, BACK)

    after = stored(folder)
    assert {name: rows for name, rows in after.items() if name != "alert"} == {
        name: rows for name, rows in before.items() if name != "alert"
    }
    assert [row[0] for row in after["alert"]] == [row[0] for row in before["alert"]]


def test_a_rule_ends_where_the_next_one_begins_and_of_one_day_the_entry_holds(folder: Path) -> None:
    do(folder, GUARDED)
    do(folder, SIMPLE)
    lab = load(folder)
    with open_store(folder).reading() as connection:
        steps = with_entered_limits(connection, lab).rule_steps(NAME)
    shown_steps = [(step.rule.from_ and step.rule.from_.isoformat(), step.rule.rule, step.is_entry) for step in steps]
    assert shown_steps == [
        (None, "simple", False), ("2026-10-01", "guarded", True), ("2026-11-01", "guarded", False), ("2026-11-01", "simple", True),
    ]  # fmt: skip
    day = datetime(2026, 11, 1, tzinfo=UTC).date()
    assert rule_on_day(steps, day).who == "A. Specialist"
    assert shown(folder, RuleRequest(CHANGE_RULE, NAME, "2026-09-01", "simple"))["until"] == "2026-10-01"


def test_the_risks_stand_beside_the_rule_and_a_guard_is_paid_by_good_lots(folder: Path) -> None:
    seen = shown(folder, RuleRequest(CHANGE_RULE, NAME, "2026-12-01", "guarded", "0.05", "0.05"))
    # A rule for tests to come changes no verdict.
    assert (seen["streams"], seen["tested"]) == ([], 0)
    other = shown(folder, SIMPLE)
    by_stream = {(one["supplier"], one["product"]): one for one in other["risks"]}
    near = by_stream["Brackenfoil", "BF-110"]
    assert near["before"]["good_not_passed"] > 10 * near["after"]["good_not_passed"]
    assert near["before"]["wrong_passes"] < near["after"]["wrong_passes"]
    page = CliRunner().invoke(main, ["stream", *near_names(near), NAME, "--json", "--lab", str(folder)])
    declared = json.loads(page.stdout)["decision"]["risks"][0]
    # The page of the stream shows the same figures for the rule in force.
    assert {key: declared[key] for key in ("wrong_passes", "good_not_passed")} == {
        key: near["before"][key]  # type: ignore[literal-required]
        for key in ("wrong_passes", "good_not_passed")
    }


def near_names(risks: Any) -> tuple[str, str]:
    return risks["supplier"], risks["product"]


@pytest.mark.parametrize(
    ("asked", "line"),
    [
        (RuleRequest("approve", NAME, "2026-11-01"), "is no change of a rule"),
        (RuleRequest(CHANGE_RULE, "gloss", "2026-11-01", "simple"), '"gloss" is no characteristic of lab.toml'),
        (RuleRequest(CHANGE_RULE, NAME, "soon", "simple"), '"soon" is no day'),
        (
            RuleRequest(CHANGE_RULE, NAME, "2026-11-01", "fair"),
            '"fair" is no decision rule; expected simple or guarded',
        ),
        (RuleRequest(CHANGE_RULE, NAME, "2026-11-01", "guarded"), "a guarded rule needs the greatest chance"),
        (
            RuleRequest(CHANGE_RULE, NAME, "2026-11-01", "guarded", "60 %"),
            "wrong_pass: expected a percentage above 0 and at most 50 % with its sign, such as 5 %, or the chance 0.05; got",
        ),
        (RuleRequest(CHANGE_RULE, NAME, "2026-11-01", "guarded", "5"), 'such as 5 %, or the chance 0.05; got "5"'),
        (
            RuleRequest(CHANGE_RULE, NAME, "2026-11-01", "guarded", "5 %", "x"),
            "wrong_fail: expected a percentage above 0",
        ),
        (RuleRequest(CHANGE_RULE, NAME, "2026-11-01", "simple", "5 %"), "a simple rule has no guard"),
        (RuleRequest(TAKE_BACK_RULE, NAME, "2026-11-01"), "nobody entered a decision rule from 2026-11-01"),
    ],
)
def test_a_request_that_is_no_rule_is_refused_in_one_line(folder: Path, asked: RuleRequest, line: str) -> None:
    with pytest.raises(CallError, match=line) as refused:
        shown(folder, asked)
    assert "\n" not in str(refused.value)


def test_a_declared_guard_and_an_entered_rule_never_add(folder: Path) -> None:
    declared = (folder / "lab.toml").read_text(encoding="utf-8")
    start, end = declared.index("decision = ["), declared.index("upper_limit = [ { value = 50.0")
    (folder / "lab.toml").write_text(declared[:start] + "guard_percent = 5\n" + declared[end:], encoding="utf-8")
    with pytest.raises(CallError, match="declares guard_percent for shielding_energy"):
        shown(folder, SIMPLE)


def test_a_preview_that_is_out_of_date_is_refused_and_an_entry_needs_a_name(folder: Path) -> None:
    mark = mark_of(shown(folder, SIMPLE))
    do(folder, GUARDED)
    do(folder, RuleRequest(CHANGE_RULE, NAME, "2026-11-10", "guarded", "0.01"))
    with pytest.raises(CallError, match="look at the preview again"):
        do(folder, SIMPLE, mark)
    with open_store(folder).writing() as connection:
        entry = as_rule_entry(connection, load(folder), SIMPLE, "", "because", NOW)
        with pytest.raises(CallError, match="who is blank"):
            carry_out_rule(connection, load(folder), entry)


@pytest.mark.usefixtures("lab_clock")
def test_the_command_previews_enters_and_lists(folder: Path) -> None:
    arguments = ["decision", NAME, "--simple", "--from", "2026-11-01", "--lab", str(folder)]
    preview = CliRunner().invoke(main, [*arguments, "--preview"])
    assert preview.exit_code == 0
    assert preview.stdout.startswith(
        "Preview, nothing is changed yet: Judge shielding energy by simple acceptance, from "
    )
    assert "1 verdict from undecided to pass: BF07191." in preview.stdout
    assert "Looser than guarded: wrong passes at most 5 %." in preview.stdout

    done = CliRunner().invoke(main, [*arguments, "--by", "A. Specialist", "--because", "contract 7", "--json"])
    assert done.exit_code == 0, done.stderr
    document = json.loads(done.stdout)
    jsonschema.validate(document, schema("decision"), format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER)
    assert document["done"]

    history = json.loads(CliRunner().invoke(main, ["history", "--json", "--lab", str(folder)]).stdout)
    assert (history[0]["what"], history[0]["about"]) == (CHANGE_RULE, "decision rule, shielding energy")
    stream = CliRunner().invoke(main, ["stream", "Brackenfoil", "BF-110", NAME, "--json", "--lab", str(folder)])
    assert [one["where"] for one in json.loads(stream.stdout)["decision_rules"]] == ["lab.toml", "lab.toml", "entry"]
