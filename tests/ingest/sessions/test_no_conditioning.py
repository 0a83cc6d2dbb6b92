"""Characteristics that need no conditioning, in units beside energy and resistance: valid without a log, and every paper says why."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from datetime import timedelta

import pytest
from support.commands import call, document
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows
from support.page_text import words

from dashboard.pages import lot as lot_page
from dashboard.queries.lab_reader import LabReader
from ingest.common.errors import LabFileError
from ingest.config.lab import load

pytestmark = pytest.mark.usefixtures("lab_clock")

PEEL = '[[characteristic]]\nname = "peel_strength"\nunit = "N"\nscale = "linear"\nconditioning = false\n'
DECLARED = LAB_TOML.replace("[[source]]", f"{PEEL}lower_limit = [ {{ value = 2.0 }} ]\n\n[[source]]", 1)
AWAY = {"characteristic": "peel_strength", "unit": "N", "chamber": ""}


@pytest.fixture
def peel(bench: Bench) -> Bench:
    bench.declare(DECLARED)
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[3.1, 3.2], [2.9, 3.0]], **AWAY))
    document(bench.folder, "run")
    return bench


def test_a_session_that_needs_no_conditioning_is_valid_and_judged_without_a_chamber_log(peel: Bench) -> None:
    (session,) = document(peel.folder, "lot", "Alder Film", "L0")["sessions"]

    assert session["conditioning"].items() >= {
        "state": "valid", "required": False, "hours": None, "humidity_min": None, "humidity_max": None,
    }.items()  # fmt: skip
    assert (session["verdict"], session["unit"]) == ("pass", "N")
    assert document(peel.folder, "alerts", "--all") == []


def test_command_page_and_bundle_say_that_none_is_required(peel: Bench) -> None:
    assert "no conditioning required" in call(peel.folder, "lot", "Alder Film", "L0").stdout
    page = " ".join(words(lot_page.layout(LabReader(peel.folder), supplier="Alder Film", lot="L0")))
    assert "No conditioning required: peel strength." in page
    assert "Chamber not named" not in page
    call(peel.folder, "evidence", "--lot", "Alder Film", "L0", "--out", str(peel.folder / "out"))
    (bundle,) = (peel.folder / "out").glob("*.zip")
    with zipfile.ZipFile(bundle) as archive:
        name = next(one for one in archive.namelist() if one.endswith("sessions.csv"))
        (row,) = csv.DictReader(io.StringIO(archive.read(name).decode("utf-8-sig")))
        declarations = next(archive.read(one).decode() for one in archive.namelist() if one.endswith(".toml"))
    assert row["conditioning"] == "no conditioning required"
    assert "conditioning = false" in declarations


def test_the_declaration_decides_and_a_change_of_it_judges_the_lots_again(peel: Bench) -> None:
    peel.declare(DECLARED.replace("conditioning = false", 'conditioning = "dry"'))
    document(peel.folder, "run")

    (session,) = document(peel.folder, "lot", "Alder Film", "L0")["sessions"]

    assert (session["conditioning"]["state"], session["conditioning"]["required"]) == ("unlogged", True)
    assert session["verdict"] == "invalid"


def test_a_characteristic_beside_it_still_needs_its_log(peel: Bench) -> None:
    peel.drop_tests("b.csv", lot_rows("L0", MONDAY + timedelta(hours=1), [[9.0]]))
    document(peel.folder, "run")

    sessions = document(peel.folder, "lot", "Alder Film", "L0")["sessions"]

    assert {one["characteristic"]: one["conditioning"]["state"] for one in sessions} == {
        "peel_strength": "valid",
        "shielding_energy": "unlogged",
    }


def test_a_lab_that_conditions_nothing_declares_no_conditioning(bench: Bench) -> None:
    begin = LAB_TOML.index("[conditioning"), LAB_TOML.index("[[source]]")
    bench.declare(LAB_TOML[: begin[0]] + PEEL + LAB_TOML[begin[1] :])
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[3.1, 3.2]], **AWAY))

    assert json.loads(call(bench.folder, "run", "--json").stdout)["files"][0]["stored"] == 2
    assert load(bench.folder).conditioning_for("peel_strength") is None


@pytest.mark.parametrize("value", ["true", "1", '""'])
def test_another_value_than_a_name_or_false_is_refused(bench: Bench, value: str) -> None:
    bench.declare(DECLARED.replace("conditioning = false", f"conditioning = {value}"))

    with pytest.raises(LabFileError, match=r"expected the name of a conditioning such as .* or false for none"):
        load(bench.folder)
