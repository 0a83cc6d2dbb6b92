"""Names from files in addresses and in names of files: they come back as they were, and lead nowhere else."""

from __future__ import annotations

from urllib.parse import parse_qs, urlsplit

import pytest

from dashboard.text import urls
from dashboard.text.file_names import attachment, distinguishing_mark, plain_name

NAMES = [
    '"; filename="evil.exe',
    "../../etc/passwd",
    "a&b=c#d?e",
    "Gödel\r\nX: y",
    "javascript:alert(1)",
    "\u202eexe.bat",
]


@pytest.mark.parametrize("name", NAMES)
def test_a_name_travels_through_an_address_unchanged(name: str) -> None:
    for address, path in (
        (urls.stream_address(name, name, name), "/stream"),
        (urls.lot_address(name, name), "/lot"),
        (urls.evidence_address(supplier=name, lot=name), "/evidence-file"),
        (urls.scorecard_address("2026-Q3", name, "pdf"), "/scorecard-file"),
    ):
        parts = urlsplit(address)
        assert (parts.scheme, parts.netloc, parts.path, parts.fragment) == ("", "", path, "")
        assert parse_qs(parts.query)["supplier"] == [name]


def test_a_name_that_utf_8_can_not_write_has_an_address_all_the_same() -> None:
    assert urls.lot_address("\udcff", "L1") == "/lot?supplier=%3F&lot=L1"


@pytest.mark.parametrize("name", NAMES)
def test_a_file_name_holds_letters_digits_and_hyphens(name: str) -> None:
    plain = plain_name(name)

    assert plain.replace("-", "").isalnum()
    assert plain.isascii()
    assert attachment(f"{plain}.csv")["Content-Disposition"].count('"') == 2


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("Møllerfolie", "Mollerfolie"),
        ("MØ-046", "MO-046"),
        ("Łódź Æther Œuvre", "Lodz-AEther-OEuvre"),
        ("Großfolie ẞ", "Grossfolie-SS"),
        ("Đorđe þór ıx", "Dorde-thor-ix"),
        ("Ωmega 株式会社", "mega"),
    ],
)
def test_letters_beyond_ascii_keep_their_base_letter(name: str, plain: str) -> None:
    assert plain_name(name) == plain


def test_names_that_are_alike_once_plain_have_different_marks() -> None:
    assert plain_name("a/b") == plain_name("a b") == "a-b"
    assert distinguishing_mark("a/b") != distinguishing_mark("a b")
