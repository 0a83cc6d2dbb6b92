"""The commands bags, compare, whatif and report on the demo lab: their documents, their sentences, their refusals."""

from __future__ import annotations

import io
import json
import math
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jsonschema
import pypdf
import pytest
from click.testing import CliRunner
from scipy import stats
from support.demolab import NOW, copy_of, demo_lab

from dashboard.cli import main
from dashboard.schemas import schema
from dashboard.text.formatting import amount
from dashboard.text.verdict import bags_text
from dashboard.text.verdict.conformity_text import at_least
from dashboard.verdict_papers import report as paper
from ingest.common.instants import microseconds
from ingest.config.lab import load
from ingest.rounds import rounds
from ingest.store.store import open_store

STREAM = ("Brackenfoil", "BF-110", "shielding_energy")
FORMATS = jsonschema.Draft202012Validator.FORMAT_CHECKER
pytestmark = pytest.mark.usefixtures("lab_clock")


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return demo_lab(tmp_path_factory.getbasetemp())


def call(lab: Path, *arguments: str) -> tuple[int, str, str]:
    found = CliRunner().invoke(main, [*arguments, "--lab", str(lab)])
    return found.exit_code, found.stdout, found.stderr


def document(lab: Path, *arguments: str) -> Any:
    code, out, err = call(lab, *arguments, "--json")
    assert code == 0, err
    found = json.loads(out)
    jsonschema.validate(found, schema(arguments[0]), format_checker=FORMATS)
    return found


def text_of(pdf: Path) -> str:
    return read_pdf(pdf.read_bytes())


def read_pdf(content: bytes) -> str:
    reader = pypdf.PdfReader(io.BytesIO(content))
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


# Lot and stream


def test_the_guard_changes_the_verdict_of_a_lot_of_the_demo(lab: Path) -> None:
    found = document(lab, "lot", "Brackenfoil", "BF07191")["sessions"][0]
    sure = found["conformity"]
    # 18.0 nJ is under 20 nJ, and three of six bags are torn: the mean is not surely inside.
    assert (found["verdict"], found["level"] < 20.0) == ("undecided", True)
    assert sure["own_variance"]
    assert 0.6 < sure["p"] < 0.75
    assert sure["bench"] == "check standard"
    assert sure["accept_upper"] < 14 < found["level"]
    # The three questions have three answers.
    assert sure["proof"]["inside"] < sure["next_bag"] < sure["p"]
    assert sure["proof"]["bags_inside"] == 3


def test_a_stream_states_the_risks_of_its_rule_beside_others(lab: Path) -> None:
    found = document(lab, "stream", *STREAM)["decision"]
    rules = [(one["rule"], one["bags"], one["declared"]) for one in found["risks"]]
    assert rules == [("guarded", 6, True), ("simple", 6, False), ("guarded", 12, False)]
    guarded, simple, twice = found["risks"]
    assert guarded["wrong_passes"] < simple["wrong_passes"]
    assert guarded["good_not_passed"] > twice["good_not_passed"] > simple["good_not_passed"]


# Bags


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (1.0, "100 times"),
        (0.9999, "more than 99 times"),
        (0.994, "99 times"),
        (0.01, "1 time"),
        (0.001, "less than once"),
        (0.0, "0 times"),
    ],
)
def test_a_likely_pass_is_not_called_certain(chance: float, words: str, lab: Path) -> None:
    result = document(lab, "bags", *STREAM)
    assert bags_text.headline({**result, "chance": chance}).endswith(f" passes {words} in 100.")


def test_a_proven_part_is_one_plain_bound_and_names_what_it_rests_on(lab: Path) -> None:
    far = document(lab, "bags", *STREAM, "--level", "5")
    assert far["proves"] > 0.995
    assert (far["bags_for_90"], far["bags_for_90_by_count"]) == (1, 29)
    text = bags_text.proof(far)
    assert "prove that over 99 % of the lot's bags are inside" in text
    assert text.startswith("If bags follow the normal law, 6 bags ")
    assert text.endswith("To prove 90 % takes 1 bag by the normal law; counted only, 29 bags, all of them inside.")
    # Rounded down: six of six bags prove 60.7 %.
    assert "Counted only, all of them inside prove at least 60 %." in text
    assert [at_least(share) for share in (0.0, 0.004, 0.999, 1.0)] == ["under 1 %"] * 2 + ["over 99 %"] * 2


def test_a_guard_band_in_percent_is_one_rule_for_the_verdict_the_bags_and_the_risks(lab: Path, tmp_path: Path) -> None:
    folder = copy_of(lab, tmp_path / "lab")
    declared = (folder / "lab.toml").read_text(encoding="utf-8")
    name = 'name = "surface_resistance_inside"\n'
    (folder / "lab.toml").write_text(declared.replace(name, f"{name}guard_percent = 20\n"), encoding="utf-8")
    rounds.run(load(folder), NOW)
    stream = ("Umberfold", "UM-7", "surface_resistance_inside")
    band = {"rule": "simple", "wrong_pass": None, "wrong_fail": None, "from": None, "guard_percent": 20.0}

    at_the_edge = document(folder, "bags", *stream, "--level", "8e10")
    # A lot whose true mean is where the band begins passes every second time; one at the limit by the normal law.
    assert at_the_edge["rule"] == band
    assert at_the_edge["chance"] == pytest.approx(0.5, abs=1e-9)
    at_the_limit = document(folder, "bags", *stream, "--level", "1e11")
    assert at_the_limit["chance"] == pytest.approx(stats.norm.cdf(math.log(0.8) / at_the_limit["u"]), abs=1e-9)
    assert "guard band of 20 % of the limit" in call(folder, "bags", *stream)[1]
    shown = document(folder, "stream", *stream)
    assert [step["guard_percent"] for step in shown["decision_rules"]] == [20.0]
    assert shown["decision"]["rule"] == band
    with_band, simple, *_ = shown["decision"]["risks"]
    assert (with_band["guard_percent"], with_band["declared"], simple["rule"]) == (20.0, True, "simple")
    assert with_band["wrong_passes"] < simple["wrong_passes"]
    sure = document(folder, "lot", "Umberfold", "UM03516")["sessions"]
    (sure,) = [one["conformity"] for one in sure if one["characteristic"] == stream[2]]
    assert (sure["rule"], sure["accept_upper"]) == (band, pytest.approx(8e10))


def test_a_candidate_that_moves_is_listed_where_it_stands_now(lab: Path, tmp_path: Path) -> None:
    pair = ("--candidate", "Brackenfoil", "BF-110", "--candidate", "Umberfold", "UM-7")
    found = document(lab, "compare", "shielding_energy", *pair)
    moved, still = found["candidates"]
    assert (moved["moves"], still["moves"]) == (True, False)
    assert moved["room"] == pytest.approx(100 * (20.0 / moved["level_now"] - 1))
    assert still["room"] == pytest.approx(100 * (20.0 / still["level"] - 1))
    _, out, _ = call(lab, "compare", "shielding_energy", *pair)
    rows = out.splitlines()
    assert any(
        f"{amount(moved['level_now'], 'nJ')} now" in row for row in rows if row.startswith("Brackenfoil BF-110 ")
    )
    assert call(lab, "compare", "shielding_energy", *pair, "--pdf", "--out", str(tmp_path))[0] == 0
    assert f"{amount(moved['level_now'], 'nJ')} now" in text_of(tmp_path / "comparison.pdf")


def test_more_bags_make_a_good_lot_pass_more_often(lab: Path) -> None:
    few, many = (document(lab, "bags", *STREAM, "--bags", str(bags), "--level", "18") for bags in (6, 12))
    assert few["chance"] < many["chance"]
    assert many["chance_today"] == pytest.approx(few["chance"])
    assert many["scatter"]["bench_source"] == "check standard"
    # Twelve times as many discharges show the level hardly better; twice as many bags do.
    by_readings = {one["readings"]: one["u"] for one in few["discharges"]}
    assert by_readings[12] > 0.9 * by_readings[1]
    assert many["u"] < 0.9 * few["u"]
    assert (few["plan"]["bags"], few["plan"]["bags_by_count"]) == (21, 22)


def test_bags_in_words(lab: Path) -> None:
    code, out, _ = call(lab, "bags", *STREAM, "--bags", "12", "--level", "18")
    assert code == 0
    assert out.startswith("With 12 bags a lot at 18.0 nJ passes ")
    assert "12 bags with a mean of 18.0 nJ prove that at least" in out
    # A drifting film has no such promise; one that stands has.
    assert "prove that 90 % of the next lot's bags" not in out
    assert "No promise for the next lot: the level moves. It is at " in out
    _, steady, _ = call(lab, "bags", "Umberfold", "UM-7", "shielding_energy")
    assert "The last 25 lots (150 bags) prove that 90 % of the next lot's bags lie below" in steady


# Comparison


def test_one_comparison_of_the_demo_decides_and_one_does_not(lab: Path) -> None:
    pair = ("--candidate", "Umberfold", "UM-7", "--candidate", "Umberfold", "UM-9")
    decides = document(lab, "compare", "shielding_energy", *pair, "--margin", "3")["pairs"][0]
    assert decides["answer"] == "worse"
    assert decides["paired"]
    assert decides["change_low"] > 3
    # A difference is shown, and not that it is as large as the lab declares to matter.
    declared = document(lab, "compare", "shielding_energy", *pair)["pairs"][0]
    assert (declared["answer"], declared["differs"], declared["alike"]) == ("not shown", True, False)
    assert 0 < declared["change_low"] < 5
    others = ("--candidate", "Brackenfoil", "BF-210", "--candidate", "Ostrelvane", "OV-1")
    found = document(lab, "compare", "shielding_energy", *others)
    assert found["pairs"][0]["answer"] == "not shown"
    assert found["pairs"][0]["lots_needed"] > 8
    assert found["margin_from"] == "lab.toml"


def test_a_product_that_moved_is_no_one_number_and_is_compared_with_itself(lab: Path) -> None:
    both = ("--candidate", "Brackenfoil", "BF-110", "--candidate", "Umberfold", "UM-7")
    found = document(lab, "compare", "shielding_energy", *both)
    assert found["pairs"][0]["answer"] == "no answer"
    assert "moved in this time" in found["pairs"][0]["why"]
    split = document(lab, "compare", "shielding_energy", "--candidate", "Quillmere", "QM-31", "--split", "2026-03-01")
    assert [one["time"] for one in split["candidates"]] == ["before", "since"]
    assert split["pairs"][0]["answer"] == "worse"


def test_several_candidates_are_adjusted_for_and_the_best_are_named(lab: Path) -> None:
    names = [("Umberfold", "UM-7"), ("Umberfold", "UM-9"), ("Brackenfoil", "BF-210"), ("Ostrelvane", "OV-1")]
    pairs = [part for one in names for part in ("--candidate", *one)]
    found = document(lab, "compare", "shielding_energy", *pairs, "--margin", "1")
    assert len(found["pairs"]) == 6
    alone = document(lab, "compare", "shielding_energy", "--candidate", *names[0], "--candidate", *names[1])["pairs"][0]
    together = found["pairs"][0]
    assert together["p_value"] >= alone["p_value"]
    assert together["change_high_together"] > together["change_high"]
    assert not found["candidates"][1]["not_shown_worse"]
    assert found["candidates"][0]["not_shown_worse"]


def test_each_candidate_is_compared_with_the_one_in_use(lab: Path) -> None:
    names = [("Umberfold", "UM-7"), ("Umberfold", "UM-9"), ("Brackenfoil", "BF-210"), ("Ostrelvane", "OV-1")]
    asked = ["shielding_energy", *[part for one in names for part in ("--candidate", *one)]]
    found = document(lab, "compare", *asked, "--in-use", *names[1])
    every = document(lab, "compare", *asked)
    assert (found["in_use"], every["in_use"]) == (1, None)
    assert [(pair["first"], pair["second"]) for pair in found["pairs"]] == [(1, 0), (1, 2), (1, 3)]
    same = {frozenset((pair["first"], pair["second"])): pair for pair in every["pairs"]}
    # Three questions need less than six: the p value of each is lower.
    for pair in found["pairs"]:
        if pair["p_value"] is not None:
            assert pair["p_value"] <= same[frozenset((pair["first"], pair["second"]))]["p_value"] + 1e-9
    _, out, _ = call(lab, "compare", *asked, "--in-use", *names[1])
    assert out.startswith("Shown to be better than Umberfold UM-9 by more than 5 %: ")
    assert "Each against Umberfold UM-9 at once" in out
    assert "95 % confidence for the 3 comparisons together" in out
    assert "all pairs together" not in out
    assert "95 % confidence for all pairs together" in call(lab, "compare", *asked)[1]
    code, _, err = call(lab, "compare", *asked, "--in-use", "Tarnwick", "TW-Rose")
    assert code == 2
    assert "Tarnwick TW-Rose is in use and no candidate; name it as a candidate too" in err


def test_the_paper_of_a_comparison_is_one_page_and_the_same_again(lab: Path, tmp_path: Path) -> None:
    pair = ("--candidate", "Umberfold", "UM-7", "--candidate", "Umberfold", "UM-9", "--margin", "3", "--pdf")
    written = []
    for folder in ("a", "b"):
        code, _, err = call(lab, "compare", "shielding_energy", *pair, "--out", str(tmp_path / folder))
        assert code == 0, err
        written.append((tmp_path / folder / "comparison.pdf").read_bytes())
    assert written[0] == written[1]
    pdf = tmp_path / "a" / "comparison.pdf"
    assert len(pypdf.PdfReader(pdf).pages) == 1
    assert "Umberfold UM-9 is worse than Umberfold UM-7 by more than 3 %." in text_of(pdf)


# Another limit


def test_at_10_nj_a_supplier_falls_and_at_50_nj_none_does(lab: Path) -> None:
    at = {limit: document(lab, "whatif", "shielding_energy", "--upper", limit) for limit in ("50", "20", "10")}
    failing = {limit: found["total"]["failing"] for limit, found in at.items()}
    assert failing["50"] == 0 < failing["20"] < 10 < failing["10"]
    falls = next(one for one in at["10"]["suppliers"] if one["supplier"] == "Ostrelvane")
    assert (falls["lots"], falls["failing"]) == (8, 6)
    assert falls["pooled"] < falls["failing"] / falls["lots"] < falls["high"]
    assert at["10"]["declared"] == [50.0, 20.0, 10.0]
    # The declared limit gives the declared verdicts, guard included.
    assert at["20"]["changed"] == []
    total = at["20"]["total"]
    assert total["undecided"] == 1
    # The lower end takes the open lot as passing, the upper end as failing.
    ends = stats.binomtest(total["failing"], total["lots"]), stats.binomtest(total["failing"] + 1, total["lots"])
    assert total["low"] == pytest.approx(ends[0].proportion_ci(method="exact").low)
    assert total["high"] == pytest.approx(ends[1].proportion_ci(method="exact").high)
    unsure = next(one for one in at["20"]["streams"] if one["product"] == "BF-210")
    assert (unsure["failing"], unsure["undecided"]) == (0, 1)
    assert unsure["high"] == pytest.approx(stats.binomtest(1, unsure["lots"]).proportion_ci(method="exact").high)
    assert next(one for one in at["20"]["streams"] if one["product"] == "BF-110")["moves"]
    code, out, _ = call(lab, "whatif", "shielding_energy", "--upper", "20")
    assert code == 0
    assert "Each interval runs from no open lot failing to all of them failing." in out


@pytest.mark.parametrize("name", ["shielding_energy", "surface_resistance_inside", "surface_resistance_outside"])
def test_the_limit_in_force_gives_the_chance_of_the_board(lab: Path, name: str) -> None:
    board = {one["product"]: one for one in document(lab, "board") if one["characteristic"] == name}
    judged = {product: row["limit_upper"] for product, row in board.items() if not row["check_standard"]}
    at = {limit: document(lab, "whatif", name, "--upper", f"{limit:g}")["streams"] for limit in set(judged.values())}
    own = [one for limit, streams in at.items() for one in streams if judged[one["product"]] == limit]
    lower = document(lab, "whatif", name, "--upper", f"{min(judged.values()) / 4:g}")["streams"]
    nearer = {one["product"]: one["breach_probability"] for one in lower}

    assert {one["product"] for one in own} == set(judged)
    assert any(not one["moves"] for one in own)
    assert any(one["moves"] for one in own) or name == "surface_resistance_outside"
    for one in own:
        # Whether a stream moves or not, and to the last digit.
        assert one["breach_probability"] == board[one["product"]]["breach_probability"]
        assert nearer[one["product"]] >= one["breach_probability"]


def test_another_limit_and_the_board_print_a_chance_in_the_same_words(lab: Path) -> None:
    _, board, _ = call(lab, "board")
    _, other, _ = call(lab, "whatif", "shielding_energy", "--upper", "20")
    (line,) = (line for line in board.splitlines() if "UM-9" in line and "shielding" in line)
    (answer,) = (line for line in other.splitlines() if "UM-9" in line)

    assert "under 1 %" in line
    assert answer.endswith("under 1 %")
    # A model is never certain: no stream has a chance of exactly none.
    assert not re.search(r"(?<![\d.])0 %", board)


def test_another_limit_records_nothing(lab: Path) -> None:
    before = call(lab, "lot", "Brackenfoil", "BF07191", "--json")
    code, out, _ = call(lab, "whatif", "shielding_energy", "--upper", "10", "--since", "2026-10-01", "--guard", "5")
    assert code == 0
    assert "Nothing is recorded" in out
    assert call(lab, "lot", "Brackenfoil", "BF07191", "--json") == before
    assert json.loads(call(lab, "history", "--json")[1]) == []


# Test report


def test_a_report_is_a_draft_until_a_person_issues_it_and_then_stays_as_it_is(lab: Path, tmp_path: Path) -> None:
    own, out = copy_of(lab, tmp_path / "lab"), tmp_path / "out"
    lot, to = ("report", "Brackenfoil", "BF07191"), ("--out", str(out))
    draft = Path(call(own, *lot, *to)[1].strip())
    assert "Draft, not issued" in text_of(draft)

    signed = ("--issue", "--number", "R-1", "--by", "A. Example", "--because", "Head of the laboratory")
    issued = Path(call(own, *lot, *to, *signed, "--customer", "Invented buyer")[1].strip())
    text = text_of(issued)
    for part in (
        "Test report R-1", "Invented buyer", "Issued by A. Example", "Head of the laboratory", "undecided", "guarded",
        "standard deviation of bag means", "standard deviation within bags", "End of the report",
        "shielding procedure of this lab (invented), edition 3", "items tested only", "page 1 of", "bench 1.2 %",
        "state of the instrument that day checked", "certificate SK-0447, due ", "before the test: passed",
        "96 entries", "longest gap 30 min", "uncertainty not declared",
    ):  # fmt: skip
        assert part in text, part
    first = issued.read_bytes()

    # A number is never used again; the issued report gives the same bytes whatever is asked for.
    code, _, err = call(own, *lot, *to, *signed)
    assert (code, err) == (2, "report: number R-1 was issued before; a number is never used again\n")
    issued.unlink()
    assert call(own, *lot, *to, "--number", "R-1")[0] == 0
    assert issued.read_bytes() == first

    amended = (
        "--issue",
        "--number",
        "R-2",
        "--by",
        "A. Example",
        "--because",
        "Head of the laboratory",
        "--replaces",
        "R-1",
    )
    assert call(own, *lot, *to, *amended)[2] == "report: say what changed against report R-1\n"
    path = Path(call(own, *lot, *to, *amended, "--changes", "Customer corrected")[1].strip())
    assert "This report replaces report R-1. Changed: Customer corrected" in text_of(path)
    # A report is replaced once: the next one replaces the newest.
    again = [one.replace("R-2", "R-3") for one in amended]
    assert (
        "report R-1 was replaced by R-2; give the number of that one"
        in call(own, *lot, *to, *again, "--changes", "x")[2]
    )
    entries = json.loads(call(own, "history", "--json")[1])
    assert [(one["what"], one["who"]) for one in entries] == [("issue report", "A. Example")] * 2
    assert entries[0]["about"] == "Brackenfoil, lot BF07191, test report R-2"


def test_a_report_lists_its_deviations_and_an_invalid_test_has_no_verdict(lab: Path) -> None:
    found = document(lab, "report", "Tarnwick", "TW00076", "--out", str(lab / "exports"))
    invalid = [one for one in found["sessions"] if not one["valid"]]
    assert all(one["p"] is None and one["rule"] is None for one in invalid)
    assert all(any(line.startswith("Not a valid test") for line in one["deviations"]) for one in invalid)


def test_a_report_lists_the_records_of_its_day(lab: Path) -> None:
    found = document(lab, "report", "Brackenfoil", "BF07191", "--out", str(lab / "exports"))
    energy = next(one for one in found["sessions"] if one["characteristic"] == "shielding_energy")
    calibration = energy["equipment"]["calibration"]
    assert calibration["done_at"] < energy["tested_at"]
    assert calibration["due_on"] > energy["tested_at"][:10]
    (check,) = energy["equipment"]["checks"]
    assert (check["when"], check["outcome"]) == ("before", "passed")
    assert check["at"] < energy["tested_at"]
    record = energy["chamber_record"]
    least, mean, greatest = record["humidity"]
    assert 9.0 <= least <= mean <= greatest <= 15.0
    assert record["entries"] == 96
    assert any("no record says when the bags went in" in line for line in energy["deviations"])


def test_a_report_states_one_interval_of_a_mean(lab: Path, tmp_path: Path) -> None:
    found = document(lab, "report", "Brackenfoil", "BF07191", "--out", str(tmp_path))
    for one in found["sessions"]:
        low, high = one["expanded"]
        assert math.sqrt(low * high) == pytest.approx(one["judged"])
        assert math.log(high / low) == pytest.approx(4 * one["u"])
    text = text_of(next(tmp_path.glob("report-*.pdf")))
    assert "95 %" not in text
    energy = next(one for one in found["sessions"] if one["characteristic"] == "shielding_energy")
    ends = " to ".join(amount(end, "nJ") for end in energy["expanded"])
    assert f"the level lies from {ends}; from standard uncertainties: bags" in text.replace("\u202f", " ")
    # Without an uncertainty the interval says that it holds the scatter of the bags alone.
    for one in found["sessions"]:
        one["expanded"] = one["u"] = None
    assert "95 % by the scatter of the bags alone: " in read_pdf(paper.as_pdf(found))


def test_the_tool_itself_finds_what_deviates(lab: Path, tmp_path: Path) -> None:
    own = copy_of(lab, tmp_path / "lab")
    declared = own / "lab.toml"
    declared.write_text(
        declared.read_text(encoding="utf-8").replace("voltage_v = 1000", "voltage_v = 500")
        + '\n[[chamber]]\nname = "north"\nsensor_uncertainty = 0.8\n',
        encoding="utf-8",
    )
    found = document(own, "report", "Brackenfoil", "BF07191", "--out", str(own / "exports"))
    energy = next(one for one in found["sessions"] if one["characteristic"] == "shielding_energy")
    assert "Discharges of 500 V instead of 1000 V." in energy["deviations"]
    assert energy["chamber_record"]["sensor_uncertainty"] == 0.8
    with open_store(own).writing() as connection:
        (instrument,) = connection.exec_driver_sql("SELECT id FROM label WHERE text = 'shielding tester 1'").one()
        connection.exec_driver_sql(
            "INSERT INTO calibration (instrument_id, done_us, due_on, as_found, as_left, uncertainty, certificate, drop_id, line) "
            "VALUES (?, ?, '2027-11-23', '-8', '0', '3', 'SK-0999', 1, 1)",
            (instrument, microseconds(datetime(2026, 11, 23, tzinfo=UTC))),
        )
    found = document(own, "report", "Brackenfoil", "BF07191", "--out", str(own / "exports"))
    energy = next(one for one in found["sessions"] if one["characteristic"] == "shielding_energy")
    assert any(
        line.startswith("The next calibration (23 Nov 2026) found the instrument −8 % off")
        for line in energy["deviations"]
    )
    # The record of the day is still that of the calibration before the test.
    assert energy["equipment"]["calibration"]["certificate"] == "SK-0447"


def test_a_report_issued_before_the_records_were_listed_is_still_printed(lab: Path) -> None:
    found = document(lab, "report", "Brackenfoil", "BF07191", "--out", str(lab / "exports"))
    for session in found["sessions"]:
        for key in ("equipment", "chamber_record", "bench_df", "expanded"):
            del session[key]
    assert paper.as_pdf(found) == paper.as_pdf(found)


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (("bags", "Nobody", "X", "shielding_energy"), "bags: there is no stream Nobody X, shielding_energy"),
        (("bags", *STREAM, "--bags", "0"), "bags: bags must be from 1 to 60, got 0"),
        (("bags", *STREAM, "--good", "20"), "bags: good must be above 0 and below bad"),
        (("bags", "Tarnwick", "TW-Rose", "shielding_energy"), "bags: "),
        (("compare", "shielding_energy", "--candidate", "Umberfold", "UM-7"), "compare: name 2 to 30 candidates"),
        (("compare", "weight", "--candidate", "A", "B"), "compare: weight is no characteristic"),
        (
            (
                "compare",
                "shielding_energy",
                "--candidate",
                "Umberfold",
                "UM-7",
                "--candidate",
                "Kept references",
                "coupon C",
            ),
            "compare: Kept references coupon C is a check standard",
        ),
        (("whatif", "shielding_energy"), "whatif: give the other limit as --upper VALUE or --lower VALUE"),
        (("whatif", "shielding_energy", "--upper", "0"), "whatif: expected a limit above 0, got 0"),
        (("report", "Brackenfoil", "BF07191", "--number", "none"), "report: no report none of lot BF07191 was issued"),
        (
            ("report", "Brackenfoil", "BF07191", "--issue", "--by", "A", "--because", "B"),
            "report: an issued report needs a number",
        ),
        (("report", "Brackenfoil", "BF07191", "--issue", "--number", "1"), "issue report: who is blank"),
    ],
)
def test_a_wrong_call_is_one_line(lab: Path, arguments: tuple[str, ...], line: str) -> None:
    code, out, err = call(lab, *arguments)
    assert (code, out) == (2, "")
    assert err.startswith(line)
    assert err.count("\n") == 1
