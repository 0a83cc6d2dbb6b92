"""What was entered: newest first, narrowed by the address, page by page, linked, and as a file that runs no formula."""

from __future__ import annotations

import csv
import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from support.labs import MONDAY, Bench, lot_rows
from support.people import HERE, NOW, declare

from dashboard.cli import main
from dashboard.queries.lab_reader import LabReader
from dashboard.text.subject_names import address, subject_name
from dashboard.web.app import make_app, page
from ingest.audit.audit_log import AuditEntry, record
from ingest.audit.subjects import Subject
from ingest.store.store import open_store

LOT = Subject.lot("Alder Film", "L0")
STREAM = Subject.stream("Alder Film", "MB-10", "shielding_energy")


@pytest.fixture
def lab(bench: Bench) -> Path:
    """Sixty holds by Sam, then one note by Ann, then an answer to an alert that is no more."""
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0]]))
    bench.run()
    acts = [AuditEntry(NOW + timedelta(minutes=n), "Sam", "hold", LOT, f"reason {n}", {}) for n in range(60)]
    acts.append(AuditEntry(NOW + timedelta(hours=2), "Ann", "note", STREAM, '=HYPERLINK("x")', {"on": "2026-03-18"}))
    acts.append(AuditEntry(NOW + timedelta(hours=3), "<b>Eve</b>", "close", Subject.alert("gone"), "seen", {}))
    with open_store(bench.folder).writing() as connection:
        for act in acts:
            record(connection, act)
    return bench.folder


def shown(lab: Path, search: str = "") -> str:
    return json.dumps(
        page(LabReader(lab), "/history", search).to_plotly_json(), default=lambda one: one.to_plotly_json()
    )


def test_the_newest_come_first_a_page_at_a_time(lab: Path) -> None:
    first, second = shown(lab), shown(lab, "?page=2")

    assert "62 entries, the last by <b>Eve</b> on 25 Nov 2026." in first
    assert first.index('"close"') < first.index('"note"') < first.index('"reason 59"')
    assert ('"reason 12"' in first, '"reason 11"' in first) == (True, False)
    assert ('"reason 12"' in second, '"reason 11"' in second) == (False, True)
    assert "Page 1 of 2" in first
    assert '"/history?page=2"' in first


@pytest.mark.parametrize("number", ["0", "-1", "3", "99999999999999999999", "x", "\u00b2", ""])
def test_a_page_that_is_not_there_is_one_that_is(lab: Path, number: str) -> None:
    assert "of 2" in shown(lab, f"?page={number}")


def test_the_address_narrows_by_who_and_what(lab: Path) -> None:
    assert "60 entries, the last by Sam" in shown(lab, "?who=Sam")
    assert "1 entry, the last by Ann" in shown(lab, "?what=note")
    assert "Nothing found. Clear a filter." in shown(lab, "?who=Sam&what=note")


def test_what_an_entry_is_about_is_linked(lab: Path) -> None:
    page_shown = shown(lab)

    assert '"/lot?supplier=Alder+Film&lot=L0"' in page_shown
    assert '"/stream?supplier=Alder+Film&product=MB-10&characteristic=shielding_energy"' in page_shown
    assert "an alert that a later round withdrew" in page_shown
    assert "on 18 Mar 2026" in page_shown


@pytest.mark.parametrize(
    ("subject", "where", "words"),
    [
        ("account:Ann", None, "user Ann"),
        ("lot:[1, 2]", None, "lot:[1, 2]"),
        ('lot:["a"]', None, 'lot:["a"]'),
        ("[", None, "["),
        ("", None, ""),
        ('lot:["a/b?c", "&d"]', "/lot?supplier=a%2Fb%3Fc&lot=%26d", "a/b?c, lot &d"),
    ],
)
def test_a_subject_of_any_shape_is_told(subject: str, where: str | None, words: str) -> None:
    assert (address(subject), subject_name(subject)) == (where, words)


def test_the_file_holds_all_that_the_address_asks_for_and_no_formula(lab: Path) -> None:
    client = make_app(lab).server.test_client()
    rows = read(client, "/history-file")

    assert len(rows) == 62
    assert [row["who"] for row in rows[:3]] == ["<b>Eve</b>", "Ann", "Sam"]
    # common practice: a cell that a spreadsheet would run is led by an apostrophe.
    assert rows[1]["reason"] == '\'=HYPERLINK("x")'
    assert [row["what"] for row in read(client, "/history-file?who=Ann")] == ["note"]


def read(client: Any, address: str) -> list[dict[str, str]]:
    answer = client.get(address, headers=HERE)
    assert answer.headers["Content-Disposition"] == 'attachment; filename="entries.csv"'
    return list(csv.DictReader(answer.data.decode("utf-8-sig").splitlines()))


def test_before_the_first_round_there_is_nothing(bench: Bench) -> None:
    client = make_app(bench.folder).server.test_client()

    assert client.get("/history-file", headers=HERE).status_code == 404
    assert "No data yet." in shown(bench.folder)


def test_the_command_lists_them_for_a_person(lab: Path) -> None:
    said = CliRunner().invoke(main, ["history", "--lab", str(lab)]).stdout.splitlines()

    assert said[0].split() == ["when", "who", "what", "about", "reason"]
    assert "Alder Film MB-10, shielding energy" in said[2]
    assert len(said) == 63


def test_a_change_of_a_user_is_an_entry_like_others(lab: Path) -> None:
    declare(lab, ("Ann", "viewer"))

    assert "user Ann" in shown(lab)
    assert "role viewer" in shown(lab)
