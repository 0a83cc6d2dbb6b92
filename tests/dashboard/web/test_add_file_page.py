"""The page "Add a file": a new user brings an export in with a browser alone, and nothing else in lab.toml changes."""

from __future__ import annotations

import stat
import threading
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from support.commands import document
from support.exports import CALIBRATIONS, CAPTURES, FAHRENHEIT_LOG, GERMAN, GERMAN_STOCK, LOADS, TWO_CHARACTERISTICS
from support.labs import LAB_TOML, MONDAY, NOW, Bench, lot_rows
from support.people import PAGE, Watch, declare, log_in

from dashboard.web.add_file_page import LARGEST_FILE
from dashboard.web.app import make_app
from dashboard.web.request_guard import LARGEST_BODY
from ingest.common.errors import CallError
from ingest.config.lab import load
from ingest.intake.add_source import Signed, add_file
from ingest.parsing.proposal.source_preview import Preview, preview

pytestmark = pytest.mark.usefixtures("lab_clock")

COMMENTED = "# Written by hand.\r\n" + LAB_TOML.split("[[source]]", maxsplit=1)[0].replace("\n", "\r\n") + "# The end."
SIGNED = {"step": "save", "who": "Sam", "reason": "new tester"}


class Fields(HTMLParser):
    """The fields of a page's form, as a browser would send them."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.values: dict[str, str] = {}
        self.select = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        parts = dict(attrs)
        name = parts.get("name") or ""
        if tag == "input" and parts.get("type") not in ("file", "checkbox") and name:
            self.values[name] = parts.get("value") or ""
        elif tag == "input" and "checked" in parts:
            self.values[name] = "on"
        elif tag == "select":
            self.select = name
        elif tag == "option" and (self.select not in self.values or "selected" in parts):
            self.values[self.select] = parts.get("value") or ""


@pytest.fixture
def lab(bench: Bench) -> Bench:
    bench.declare(COMMENTED)
    (bench.folder / "lab.toml").write_bytes(COMMENTED.encode())
    return bench


def client(bench: Bench) -> Any:
    return make_app(bench.folder, clock=Watch()).server.test_client()


def choose(browser: Any, data: bytes, name: str, headers: dict[str, str] = PAGE) -> Any:
    """Send the form of the first step; its body is written here, as the test client would leave a file of it open."""
    head = f'--x\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n\r\n'.encode()
    body = head + data + b"\r\n--x--\r\n"
    return browser.post("/add", headers=headers, data=body, content_type="multipart/form-data; boundary=x")


def send(browser: Any, page: str, **changed: str) -> Any:
    return browser.post("/add", headers=PAGE, data={**Fields(page).values, **changed})


def test_a_german_export_comes_in_with_three_clicks_and_the_rest_of_lab_toml_stays_as_it_is(lab: Bench) -> None:
    browser = client(lab)

    page = choose(browser, GERMAN, "woche 12.csv")
    assert page.status_code == 200
    assert "All 6 rows of woche 12.csv can be read." in page.text
    assert "Jürgen Groß" in page.text
    saved = send(browser, page.text, **SIGNED)

    assert saved.status_code == 303
    assert "woche 12.csv lies in drops/tests" in browser.get(saved.location, headers=PAGE).text
    text = (lab.folder / "lab.toml").read_bytes()
    assert text.startswith(COMMENTED.encode())
    assert b"\n" not in text.replace(b"\r\n", b"")
    assert load(lab.folder).declared_sources[0].time_format == "%d.%m.%Y %H:%M"
    assert document(lab.folder, "run")["files"][0]["stored"] == 6
    (entry,) = document(lab.folder, "history")
    assert (entry["who"], entry["what"], entry["about"], entry["reason"]) == (
        "Sam", "add source", "files drops/tests/*", "new tester",
    )  # fmt: skip
    assert entry["body"]["file"] == "woche 12.csv"
    assert entry["body"]["declared"].startswith("[[source]]")


@pytest.mark.parametrize(
    ("name", "data", "kind", "stored"),
    [
        ("log.csv", FAHRENHEIT_LOG, "climate", 2),
        ("stock.csv", GERMAN_STOCK, "stock", 2),
        ("loads.csv", LOADS, "loads", 2),
        ("calibrations.csv", CALIBRATIONS, "calibrations", 1),
        ("A_L1_1_1.csv", CAPTURES, "waveforms", 1),
    ],
)
def test_a_file_of_each_kind_comes_in_by_the_proposal_alone(
    lab: Bench, name: str, data: bytes, kind: str, stored: int
) -> None:
    browser = client(lab)

    page = choose(browser, data, name)
    assert f'value="{kind}" selected' in page.text
    again = send(browser, page.text, step="read")
    assert send(browser, again.text, **SIGNED).status_code == 303

    (source,) = load(lab.folder).declared_sources
    assert (source.kind, source.folder) == (kind, f"drops/{kind}")
    (file,) = document(lab.folder, "run")["files"]
    assert (file["kind"], file["stored"], file["refused"]) == (kind, stored, 0)


def test_a_correction_of_the_mapping_is_read_again_and_saved(lab: Bench) -> None:
    browser = client(lab)
    page = choose(browser, TWO_CHARACTERISTICS, "both.csv")
    assert "2026-04-03" in page.text

    changed = send(browser, page.text, step="read", time_format="%m/%d/%Y %I:%M %p", **{"column-8": "load"})
    assert "2026-03-04" in changed.text
    assert send(browser, changed.text, **SIGNED).status_code == 303

    source = load(lab.folder).declared_sources[0]
    assert source.columns["load"] == "Cabinet"
    assert "chamber" not in source.columns
    assert len(source.values) == 2


def test_a_text_of_the_characteristic_gets_its_name_on_the_page(lab: Bench) -> None:
    browser = client(lab)
    rows = lot_rows("L0", MONDAY, [[9.0, 9.5]])
    data = lab.drop_tests("a.csv", [{**row, "characteristic": "E-Test"} for row in rows]).read_bytes()
    (lab.folder / "drops" / "tests" / "a.csv").unlink()

    page = choose(browser, data, "b.csv")
    assert "characteristic “E-Test” is" in page.text
    changed = send(browser, page.text, step="read", **{"means-0": "shielding_energy"})
    assert "All 2 rows of b.csv can be read." in changed.text
    assert send(browser, changed.text, **SIGNED).status_code == 303

    assert load(lab.folder).declared_sources[0].characteristics == {"E-Test": "shielding_energy"}
    assert document(lab.folder, "run")["files"][0]["stored"] == 2


def test_a_wrong_choice_is_explained_and_the_file_is_kept_in_the_form(lab: Bench) -> None:
    browser = client(lab)
    page = choose(browser, GERMAN, "woche 12.csv")

    twice = send(browser, page.text, step="read", **{"column-14": "lot"})
    unsigned = send(browser, page.text, step="save", who="Sam", reason=" ")

    assert twice.status_code == unsigned.status_code == 400
    assert "lot is chosen for" in twice.text
    assert "reason is blank" in unsigned.text
    assert Fields(unsigned.text).values["content"] == Fields(page.text).values["content"]
    assert (lab.folder / "lab.toml").read_bytes() == COMMENTED.encode()
    assert not list((lab.folder / "drops" / "tests").iterdir())


def test_a_file_that_a_source_reads_already_is_only_put_into_its_folder(lab: Bench) -> None:
    browser = client(lab)
    send(browser, choose(browser, GERMAN, "woche 12.csv").text, **SIGNED)
    before = (lab.folder / "lab.toml").read_bytes()

    page = choose(browser, GERMAN.replace(b"CH-1", b"CH-2"), "woche 12.csv")
    assert "Source 1 of lab.toml reads this file" in page.text
    assert send(browser, page.text, **SIGNED).status_code == 303

    assert (lab.folder / "lab.toml").read_bytes() == before
    names = sorted(path.name for path in (lab.folder / "drops" / "tests").iterdir())
    assert names == ["woche 12.2.csv", "woche 12.csv"]
    assert [entry["what"] for entry in document(lab.folder, "history")] == ["add file", "add source"]


@pytest.mark.parametrize(
    ("name", "stored"),
    [
        ("../../lab.toml", "lab.csv"),
        ("C:\\bench\\a b.CSV", "a b.CSV"),
        ("..\\x<1>.csv", "x1.csv"),
        ("week", "week.csv"),
    ],
)
def test_the_name_of_a_file_leads_to_no_other_folder(lab: Bench, name: str, stored: str) -> None:
    browser = client(lab)
    page = choose(browser, GERMAN, "a.csv")

    assert send(browser, page.text, **SIGNED, name=name).status_code == 303
    assert [path.name for path in (lab.folder / "drops" / "tests").iterdir()] == [stored]


@pytest.mark.parametrize("folder", ["filed", "../elsewhere", "/tmp"])
def test_a_folder_that_lab_toml_may_not_declare_is_refused(lab: Bench, folder: str) -> None:
    browser = client(lab)

    answer = send(browser, choose(browser, GERMAN, "a.csv").text, **SIGNED, folder=folder)

    assert answer.status_code == 400 or folder == "/tmp"
    assert (lab.folder / "lab.toml").read_bytes() == COMMENTED.encode()


def test_a_viewer_sees_the_page_and_adds_nothing(lab: Bench) -> None:
    declare(lab.folder, ("Ann", "viewer"), ("Sam", "specialist"))
    browser = client(lab)
    log_in(browser, "Ann")

    assert "may not add files" in browser.get("/add", headers=PAGE).text
    assert choose(browser, GERMAN, "a.csv").status_code == 403


def test_what_is_no_table_or_too_large_is_one_sentence(lab: Bench) -> None:
    browser = client(lab)
    html = {**PAGE, "Accept": "text/html"}

    for data, what in (
        (b"PK\x03\x04", "is a workbook or another ZIP"),
        (b"", "no file was chosen"),
        (b"a," * 330_000, "is larger than 650 kB"),
    ):
        answer = choose(browser, data, "a.csv", html)
        assert answer.status_code == 400
        assert what in answer.text


def test_a_file_larger_than_the_fields_of_other_forms_passes_through_all_steps(lab: Bench) -> None:
    browser = client(lab)
    last = GERMAN.splitlines(keepends=True)[-1]
    data = GERMAN + last.replace(b"Naht ok", b"x" * 58_000) * 8

    page = choose(browser, data, "a.csv")
    assert send(browser, page.text, step="read").status_code == 200

    # Most of the body is the file, a third longer; the largest one leaves room for the other fields.
    others = len(urlencode(Fields(page.text).values)) - len(Fields(page.text).values["content"])
    assert LARGEST_FILE * 4 / 3 + 10 * others < LARGEST_BODY


def test_two_people_who_save_at_once_lose_nothing_and_the_rights_of_lab_toml_stay(lab: Bench) -> None:
    (lab.folder / "lab.toml").chmod(0o640)
    now = load(lab.folder)
    tables = []
    for name in ("ab", "cd", "ef"):
        seen = preview(GERMAN, None, now, NOW, f"{name}1.csv")
        assert isinstance(seen, Preview)
        pattern = f"{name}*.csv"
        tables.append(
            (seen.read_with.model_copy(update={"pattern": pattern}), seen.source + f'pattern = "{pattern}"\n', name)
        )
    threads = [
        threading.Thread(
            target=add_file, args=(lab.folder, source, table, f"{name}1.csv", GERMAN, Signed("Sam", NOW, "r"))
        )
        for source, table, name in tables
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert {source.pattern for source in load(lab.folder).declared_sources} == {"ab*.csv", "cd*.csv", "ef*.csv"}
    assert stat.S_IMODE((lab.folder / "lab.toml").stat().st_mode) == 0o640


def test_a_table_that_would_make_lab_toml_wrong_changes_nothing(lab: Bench) -> None:
    seen = preview(GERMAN, None, load(lab.folder), NOW, "a.csv")
    assert isinstance(seen, Preview)

    with pytest.raises(CallError, match=r"source\.1\.encoding"):
        add_file(
            lab.folder, seen.read_with, seen.source.replace("cp1252", "none"), "a.csv", GERMAN, Signed("Sam", NOW, "r")
        )

    assert (lab.folder / "lab.toml").read_bytes() == COMMENTED.encode()
    assert not list((lab.folder / "drops" / "tests").iterdir())
    assert Path(lab.folder / "lotdrift.db").exists()
    assert document(lab.folder, "history") == []


def test_the_page_of_names_shows_what_is_similar_and_declares_it(lab: Bench) -> None:
    lab.declare(LAB_TOML)
    lab.drop_tests("a.csv", lot_rows("L0", MONDAY, [[9.0]]))
    lab.drop_tests("b.csv", lot_rows("L1", MONDAY, [[9.1]], supplier="Alder Film Ltd"))
    lab.run()
    browser = client(lab)
    declared = {"column": "supplier", "written": "Alder Film Ltd", "name": "Alder Film", "who": "Sam"}

    assert "is much like &#34;Alder Film&#34;" in browser.get("/names", headers=PAGE).text
    unsigned = browser.post("/names", headers=PAGE, data={**declared, "reason": ""})
    assert (unsigned.status_code, "reason is blank" in unsigned.text) == (400, True)
    saved = browser.post("/names", headers=PAGE, data={**declared, "reason": "one supplier"})
    assert saved.status_code == 303
    lab.run()

    page = browser.get("/names", headers=PAGE).text
    assert "No two names are similar" in page
    assert '<th scope="row">Alder Film Ltd</th><td>Alder Film</td>' in page
    assert [row["supplier"] for row in document(lab.folder, "board")] == ["Alder Film"]


def test_a_viewer_declares_no_name(lab: Bench) -> None:
    declare(lab.folder, ("Ann", "viewer"), ("Sam", "specialist"))
    browser = client(lab)
    log_in(browser, "Ann")

    assert "Declare here" in browser.get("/names", headers=PAGE).text
    assert "right name <input" not in browser.get("/names", headers=PAGE).text
    answer = browser.post(
        "/names", headers=PAGE, data={"column": "supplier", "written": "A", "name": "B", "reason": "r"}
    )
    assert answer.status_code == 403
