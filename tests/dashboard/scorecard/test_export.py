"""The four forms hold the same figures, take names as text, and come out the same twice."""

from __future__ import annotations

import csv
import io
import itertools
import json
import stat
from collections import defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import IO, Any

import openpyxl
import pypdf
import pytest
from click.testing import CliRunner
from numpy.testing import assert_allclose
from support.labs import Bench, lot_rows

from dashboard.cli import main
from dashboard.pages import scorecards
from dashboard.queries.lab_reader import LabReader
from dashboard.scorecard import export, wording
from ingest.common.errors import CallError, StoreError
from ingest.config.lab import load
from ingest.quarter.overview import supplier_overview
from ingest.store.store import known_store

Q2 = datetime(2026, 4, 6, 9, tzinfo=UTC)
Q3 = datetime(2026, 7, 6, 9, tzinfo=UTC)
FORMULA = '=HYPERLINK("http://x.invalid","pay")'
MARKUP = "<script>alert(1)</script> & #panic[*x*] $y$ \\ @z"
ACCENTED = "Gödel & Søn Ω"
SUPPLIERS = (FORMULA, MARKUP, ACCENTED, "../../up", "a/b", "a b", "A B", "all suppliers")


def suppliers_rows() -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for number, supplier in enumerate(SUPPLIERS):
        for start in (Q2, Q3):
            for week in range(4):
                day = start + timedelta(weeks=week, hours=number)
                level = 8.0 + week * 0.2 + number * 0.1
                lot = f"-{week + 1}+cmd|{start:%m}"
                rows += lot_rows(lot, day, [[level, level + 0.3], [level - 0.2, level]], supplier=supplier)
    return rows


@pytest.fixture(scope="module")
def lab_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bench = Bench(tmp_path_factory.mktemp("lab"))
    bench.drop_climate("log.csv", Q2 - timedelta(days=4), 24 * 130)
    bench.drop_tests("all.csv", suppliers_rows())
    bench.run()
    return bench.folder


def drawn(folder: Path) -> list[dict[str, Any]]:
    store = known_store(folder)
    assert store is not None
    with store.reading() as connection:
        return export.documents(connection, load(folder), "2026-Q3", None)


@pytest.fixture(scope="module")
def cards(lab_folder: Path) -> dict[str, dict[str, Any]]:
    return {card["supplier"]: card for card in drawn(lab_folder)}


@pytest.fixture(scope="module")
def written(lab_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out") / "deep" / "cards"
    export.write(drawn(lab_folder), "pdf,xlsx,html,csv", folder)
    return folder


def path_of(folder: Path, card: dict[str, Any], form: str) -> Path:
    return folder / export.file_name(card, form)


# Names of files


def test_every_supplier_has_files_of_its_own_inside_the_folder(written: Path, cards: dict[str, dict[str, Any]]) -> None:
    names = [path.name for path in written.iterdir()]

    # Four forms a supplier, and the page over all of them in three.
    assert len(names) == 4 * len(SUPPLIERS) + 3
    assert len({name.casefold() for name in names}) == len(names)
    assert all(name.isascii() and not name.startswith(".") for name in names)
    assert {path.name for path in written.parent.iterdir()} == {"cards"}
    assert cards["a/b"]["file_name"] != cards["a b"]["file_name"]


def test_a_plain_name_stays_as_it_is(bench: Bench) -> None:
    bench.drop_tests("t.csv", lot_rows("L1", Q3, [[9.0, 9.1]]))
    bench.run()

    assert drawn(bench.folder)[0]["file_name"] == "Alder-Film"


@pytest.mark.parametrize(
    ("supplier", "begins"),
    [("Gödel Folie", "Godel-Folie-"), ("Møllerfolie", "Mollerfolie-"), ("株式会社", "supplier-")],
)
def test_a_name_beyond_ascii_has_a_file_name_that_can_be_read(bench: Bench, supplier: str, begins: str) -> None:
    bench.drop_tests("t.csv", lot_rows("L1", Q3, [[9.0, 9.1]], supplier=supplier))
    bench.run()

    assert drawn(bench.folder)[0]["file_name"].startswith(begins)


def test_a_link_in_the_folder_is_replaced_and_not_followed(lab_folder: Path, tmp_path: Path) -> None:
    cards = drawn(lab_folder)[:1]
    outside = tmp_path / "outside.csv"
    outside.write_text("untouched")
    out = tmp_path / "out"
    out.mkdir()
    path_of(out, cards[0], "csv").symlink_to(outside)

    export.write(cards, "csv", out)

    assert outside.read_text() == "untouched"
    assert not path_of(out, cards[0], "csv").is_symlink()


def test_a_file_that_could_not_be_finished_leaves_the_old_one_and_no_draft(tmp_path: Path) -> None:
    path = tmp_path / "card.csv"
    path.write_text("old")

    def half(out: IO[bytes]) -> None:
        out.write(b"ha")
        raise ValueError("no more")

    with pytest.raises(ValueError, match="no more"):
        export.write_piecewise(path, half)

    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_written_file_may_be_read_by_others_of_the_computer_and_changed_by_its_owner(tmp_path: Path) -> None:
    path = tmp_path / "new" / "folder" / "card.csv"

    export.write_file(path, b"data")

    assert list(path.parent.iterdir()) == [path]
    assert (path.read_bytes(), stat.S_IMODE(path.stat().st_mode)) == (b"data", 0o644)


# The same twice


@pytest.mark.parametrize("form", export.FORMS)
def test_the_same_store_gives_the_same_bytes(lab_folder: Path, form: str) -> None:
    first, second = drawn(lab_folder), drawn(lab_folder)

    assert [export.FORMS[form](card) for card in first] == [export.FORMS[form](card) for card in second]


@pytest.mark.parametrize("form", export.OVERVIEW_FORMS)
def test_the_page_over_all_is_the_same_twice(lab_folder: Path, form: str) -> None:
    assert export.OVERVIEW_FORMS[form](drawn(lab_folder)) == export.OVERVIEW_FORMS[form](drawn(lab_folder))


# The same figures in all


class Words(HTMLParser):
    """The text of a page, and what it refers to."""

    def __init__(self) -> None:
        super().__init__()
        self.text: list[str] = []
        self.tags: set[str] = set()
        self.references: list[str] = []
        self.alts: list[str] = []
        self.bold = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.bold += tag == "b"
        self.alts += [value or "" for name, value in attrs if name == "alt"]
        self.references += [value or "" for name, value in attrs if name in ("src", "href", "action", "data")]

    def handle_data(self, data: str) -> None:
        # The page keeps numbers and units together with no-break spaces.
        self.text.append(data.replace("\u00a0", " "))


def page_of(path: Path) -> Words:
    words = Words()
    words.feed(path.read_text(encoding="utf-8"))
    return words


def text_of(path: Path) -> str:
    """The text of a PDF, its line breaks as blanks."""
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(path).pages).split())


def scored(card: dict[str, Any]) -> list[str]:
    """What is told of the score: itself, its parts and their weights, and the notices."""
    standing = card["standing"]
    parts = [*wording.part_heads(), *wording.part_cells(standing), *wording.weight_cells(card)]
    return [wording.score(standing), *parts, wording.notices(card["notices"]), *wording.what_counts(card)]


@pytest.mark.parametrize("supplier", SUPPLIERS)
def test_pdf_and_html_tell_the_figures_of_the_document(
    written: Path, cards: dict[str, dict[str, Any]], supplier: str
) -> None:
    card = cards[supplier]
    paper = text_of(path_of(written, card, "pdf"))
    page = "\n".join(page_of(path_of(written, card, "html")).text)

    for told in (
        wording.summary(card),
        wording.share(card["standing"]),
        wording.place(card["standing"]),
        *scored(card),
    ):
        assert told in paper
        assert told in page
    for name, figure in wording.facts(card["streams"][0], card):
        assert figure in paper, name
        assert figure in page, name


def test_the_words_of_a_card_by_hand(cards: dict[str, dict[str, Any]]) -> None:
    card = cards["a b"]
    facts = dict(wording.facts(card["streams"][0], card))

    assert wording.summary(card) == "4 lots tested in 1 stream: 4 conform, none fails."
    assert facts["lots"] == "4 lots: 4 conform"
    # The lots scatter by less than 1 %, so all values of the stream have four digits, the limit too.
    assert card["streams"][0]["digits"] == 4
    assert facts["limit"] == "under 20.00 nJ"
    assert facts["change"].endswith(": no clear change")
    assert facts["margin"].startswith("2.2")
    assert facts["Ppk, latest"].startswith("not given")
    assert wording.place(card["standing"]) == "not ranked (any place of 8)"


def test_the_csv_holds_the_figures_of_the_document(written: Path, cards: dict[str, dict[str, Any]]) -> None:
    for card in cards.values():
        (row,) = csv.DictReader(io.StringIO(path_of(written, card, "csv").read_text(encoding="utf-8")))
        (stream,) = card["streams"]
        assert (row["product"], row["lots"], row["readings"]) == ("MB-10", "4", "16")
        assert float(row["level"]) == stream["level"]
        assert float(row["change_low"]) == stream["change_low"]
        assert row["ppk"] == ""


def test_the_workbook_holds_numbers_and_the_raw_lots(written: Path, cards: dict[str, dict[str, Any]]) -> None:
    card = cards[ACCENTED]
    book = openpyxl.load_workbook(path_of(written, card, "xlsx"))
    streams, lots = book["streams"], book["lots"]
    heads = [cell.value for cell in streams[1]]
    (stream,) = card["streams"]

    assert book.sheetnames == ["scorecard", "streams", "charts", "lots", "score", "notices"]
    assert streams.freeze_panes == "D2"
    assert lots.freeze_panes == "A2"
    # XLSX stores 16 significant digits.
    assert_allclose(streams.cell(2, heads.index("level (unit)") + 1).value, stream["level"], rtol=1e-15)
    assert streams.cell(2, heads.index("unit") + 1).value == "nJ"
    # One of all lots, and one a stream.
    assert len(book["charts"]._charts) == 1 + (streams.max_row - 1)
    assert lots.max_row == 1 + 4
    assert [row[7].value for row in lots.iter_rows(min_row=2)] == pytest.approx(
        [lot["level"] for lot in stream["lot_list"]], rel=1e-15
    )
    assert book.properties.created == datetime.fromisoformat(card["drawn_up_at"]).replace(tzinfo=None)


# The page as printed


def heights_by_left_edge(page: pypdf.PageObject) -> dict[float, list[float]]:
    """The heights of the pieces of text that start at the same distance from the left edge, in points, lowest first."""
    heights: dict[float, list[float]] = defaultdict(list)

    def note(operator: bytes, _: Any, to_page: Any, to_text: Any) -> None:
        if operator in (b"Tj", b"TJ"):
            x, y = pypdf.Transformation(tuple(to_page)).apply_on((to_text[4], to_text[5]))
            heights[round(x, 1)].append(y)

    page.extract_text(visitor_operand_before=note)
    return {x: sorted(column) for x, column in heights.items()}


@pytest.mark.parametrize("streams", [1, 2, 3, 4, 9])
def test_no_line_of_a_paper_is_printed_on_another_wherever_the_page_ends(
    cards: dict[str, dict[str, Any]], streams: int
) -> None:
    card = cards["a b"]
    alert = {"raised_at": card["drawn_up_at"], "message": "a lot", "state": "open", "held_under": None}
    # Each alert moves what follows one line towards the foot of the page.
    for alerts in range(0, 40, 3):
        paper = export.FORMS["pdf"]({**card, "streams": card["streams"] * streams, "alerts": [alert] * alerts})
        for page in pypdf.PdfReader(io.BytesIO(paper)).pages:
            columns = heights_by_left_edge(page)
            assert max(len(column) for column in columns.values()) > 1
            for x, column in columns.items():
                # The smallest type is 7.5 pt high.
                gaps = [upper - lower for lower, upper in itertools.pairwise(column)]
                assert min(gaps, default=7.5) > 7, f"{alerts} alerts, {x} pt from the left edge"


# Names are text


def test_a_formula_for_a_name_stays_text(written: Path, cards: dict[str, dict[str, Any]]) -> None:
    card = cards[FORMULA]
    book = openpyxl.load_workbook(path_of(written, card, "xlsx"))
    table = path_of(written, card, "csv").read_text()

    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if isinstance(cell.value, str)]
    assert {cell.data_type for cell in cells if cell.value == FORMULA} == {"s"}
    assert "f" not in {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
    (row,) = csv.DictReader(io.StringIO(table))
    assert row["supplier"] == f"'{FORMULA}"


@pytest.mark.parametrize("payload", ["=1+1", "+1", "-1", "@A1", "\t=1", "\r=1", " =1"])
def test_no_text_cell_of_the_csv_begins_a_formula(cards: dict[str, dict[str, Any]], payload: str) -> None:
    card = cards["a b"]
    stream = {**card["streams"][0], "product": payload}

    (row,) = csv.DictReader(io.StringIO(export.FORMS["csv"]({**card, "streams": [stream]}).decode(), newline=""))

    assert row["product"] == f"'{payload}"
    assert float(row["change_low"]) == stream["change_low"]


def test_markup_for_a_name_stays_text(written: Path, cards: dict[str, dict[str, Any]]) -> None:
    card = cards[MARKUP]
    page = page_of(path_of(written, card, "html"))

    assert "script" not in page.tags
    assert MARKUP in page.text
    assert MARKUP in text_of(path_of(written, card, "pdf"))


def test_markup_in_a_product_or_an_alert_stays_text(bench: Bench) -> None:
    # The file is opened from a disk, where no policy of ours holds scripts back.
    product = "\"><script>alert('x')</script><img src=x onerror=alert(1)>"
    bench.drop_climate("log.csv", Q3 - timedelta(days=4), 24 * 30)
    for week in range(3):
        rows = lot_rows(f"<b>L{week}</b>", Q3 + timedelta(weeks=week), [[25.0, 26.0], [24.0, 25.5]], product=product)
        bench.drop_tests(f"wk{week}.csv", rows)
    bench.run()
    (card,) = drawn(bench.folder)
    messages = [alert["message"] for alert in card["alerts"]]
    assert any(product in message for message in messages)

    page = Words()
    page.feed(export.FORMS["html"](card).decode())

    assert not page.tags & {"script", "iframe", "svg"}
    assert all(reference.startswith("data:image/svg+xml;base64,") for reference in page.references)
    title = wording.stream_title(card["streams"][0])
    assert product in title
    assert title in page.text
    assert page.alts == [title]
    for message in messages:
        assert any(message in text for text in page.text), message
    # Bold type is ours alone: the counts at the head.
    assert page.bold == len(wording.COUNTS)


def test_the_html_refers_to_nothing_outside_itself(written: Path) -> None:
    for path in written.glob("*.html"):
        page = page_of(path)
        assert all(reference.startswith("data:image/svg+xml;base64,") for reference in page.references)
        assert "link" not in page.tags
        assert "@import" not in path.read_text(encoding="utf-8")


def test_the_pdf_names_its_title_and_author(written: Path, cards: dict[str, dict[str, Any]]) -> None:
    about = pypdf.PdfReader(path_of(written, cards["a b"], "pdf")).metadata

    assert about is not None
    assert (about.title, about.author) == ("a b, 2026-Q3", "Test bench")
    assert about.creation_date == datetime.fromisoformat(cards["a b"]["drawn_up_at"])


def test_every_form_carries_the_caution(written: Path, cards: dict[str, dict[str, Any]]) -> None:
    card = cards["a b"]
    book = openpyxl.load_workbook(path_of(written, card, "xlsx"))

    assert wording.CAUTION in text_of(path_of(written, card, "pdf"))
    assert wording.CAUTION in page_of(path_of(written, card, "html")).text
    assert wording.CAUTION in {row[1].value for row in book["scorecard"].iter_rows()}


# All suppliers


def test_the_page_over_all_names_them_by_place(written: Path, cards: dict[str, dict[str, Any]]) -> None:
    book = openpyxl.load_workbook(written / export.overview_file_name("2026-Q3", "xlsx"))
    paper = text_of(written / export.overview_file_name("2026-Q3", "pdf"))

    # All conform: nothing tells them apart, so they stand by name.
    assert [row[0].value for row in book["suppliers"].iter_rows(min_row=2)] == sorted(SUPPLIERS)
    assert paper.count("not ranked (any place of 8)") == len(SUPPLIERS)
    heads, first = (list(row) for row in book["suppliers"].iter_rows(max_row=2, max_col=5, values_only=True))
    assert heads[1:] == ["place", "best place possible", "last place possible", "suppliers with a place"]
    assert first[1:] == ["not ranked (any place of 8)", 1, 8, 8]
    assert "8 streams of 8 could be compared with 2026-Q2" in paper
    assert book["lots"].max_row == 1 + 4 * len(SUPPLIERS)
    assert set(cards) == set(SUPPLIERS)


# The command and the page


def test_the_command_writes_what_it_prints(lab_folder: Path, tmp_path: Path) -> None:
    arguments = [
        "scorecard",
        "2026-Q3",
        "--lab",
        str(lab_folder),
        "--out",
        str(tmp_path / "o"),
        "--formats",
        "CSV, html",
    ]

    told = CliRunner().invoke(main, arguments)
    document = json.loads(CliRunner().invoke(main, [*arguments, "--json"]).stdout)

    assert told.exit_code == 0
    assert {Path(line) for line in told.stdout.splitlines()} == set((tmp_path / "o").iterdir())
    assert document == drawn(lab_folder)


@pytest.mark.parametrize("forms", ["docx", "pdf,docx", "", " , "])
def test_an_unknown_form_writes_nothing(lab_folder: Path, tmp_path: Path, forms: str) -> None:
    with pytest.raises(CallError, match="expected forms out of pdf, xlsx, html, csv"):
        export.write(drawn(lab_folder), forms, tmp_path / "o")

    assert not (tmp_path / "o").exists()


def test_a_folder_that_is_a_file_is_told(lab_folder: Path, tmp_path: Path) -> None:
    (tmp_path / "o").write_text("a file")

    with pytest.raises(StoreError, match="name another folder with --out"):
        export.write(drawn(lab_folder)[:1], "csv", tmp_path / "o")


@pytest.fixture(scope="module")
def client(lab_folder: Path) -> Iterator[Any]:
    from dashboard.web.app import make_app

    with make_app(lab_folder).server.test_client() as client:
        yield client


@pytest.mark.parametrize("form", export.FORMS)
def test_a_download_is_the_file_that_the_command_writes(
    client: Any, written: Path, cards: dict[str, dict[str, Any]], form: str
) -> None:
    card = cards[MARKUP]

    answer = client.get("/scorecard-file", query_string={"quarter": "2026-Q3", "supplier": MARKUP, "form": form})

    assert answer.status_code == 200
    assert answer.data == path_of(written, card, form).read_bytes()
    assert answer.headers["Content-Disposition"] == f'attachment; filename="{export.file_name(card, form)}"'


@pytest.mark.parametrize(
    "query",
    [
        {"quarter": "2026-Q3", "supplier": "Nobody", "form": "csv"},
        {"quarter": "2026-Q9", "supplier": "a b", "form": "csv"},
        {"quarter": "2026-Q3", "supplier": "a b", "form": "exe"},
        {"quarter": "2026-Q3", "form": "csv"},
        {},
    ],
)
def test_a_download_that_is_not_there_is_a_404_in_one_line(client: Any, query: dict[str, str]) -> None:
    answer = client.get("/scorecard-file", query_string=query)

    assert answer.status_code == 404
    assert answer.data.count(b"\n") == 1


def test_the_page_shows_all_suppliers_and_one(lab_folder: Path) -> None:
    everyone = str(scorecards.layout(LabReader(lab_folder), quarter="2026-Q3").to_plotly_json())
    one = str(scorecards.layout(LabReader(lab_folder), quarter="2026-Q3", supplier="a b").to_plotly_json())

    assert "topics for the meeting" in everyone
    assert "not ranked (any place of 8)" in everyone
    assert "topics for the meeting" not in one
    assert "a/b" not in one


def test_the_overview_says_when_readings_changed(cards: dict[str, dict[str, Any]]) -> None:
    changed = [{**card, "corrected_since": 1} for card in cards.values()]

    assert wording.drawn_up(supplier_overview(changed)).endswith("Since the end of the quarter 8 readings corrected.")
