"""A change of limits: what its preview shows is what it does, and a preview writes nothing."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from support.labs import MONDAY, Bench, lot_rows
from support.processchange import CHANGED, NAMES, changed_lab, levels

from dashboard.cli import main
from dashboard.schemas import schema
from ingest.audit.audit_log import (
    CHANGE_LIMIT,
    LEAVE_OUT,
    PUT_BACK,
    SET_BASELINE,
    TAKE_BACK_BASELINE,
    TAKE_BACK_LIMIT,
)
from ingest.common.errors import CallError
from ingest.config.lab import load
from ingest.decisions.limit_change_preview import Preview, carry_out, preview
from ingest.decisions.limit_requests import LimitRequest, as_entry
from ingest.rounds.recompute import derive
from ingest.store.store import Store, open_store

FORMATS = jsonschema.Draft202012Validator.FORMAT_CHECKER
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def asked(change: str, **fields: str) -> LimitRequest:
    return LimitRequest(change, *NAMES, **fields)


@pytest.fixture
def changed(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Bench:
    """A copy of the lab of the process change after its first round."""
    return changed_lab(tmp_path_factory.getbasetemp(), tmp_path / "lab")


def shown(bench: Bench, request: LimitRequest) -> Preview:
    lab = load(bench.folder)
    with open_store(bench.folder).reading() as connection:
        return preview(connection, lab, as_entry(connection, lab, request, "", "", NOW))


def do(bench: Bench, request: LimitRequest, mark: str | None = None) -> Preview:
    lab = load(bench.folder)
    with open_store(bench.folder).writing() as connection:
        act = as_entry(connection, lab, request, "A. Specialist", "agreed", NOW)
        return carry_out(connection, lab, act, mark)


def stored(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    """Everything that hangs on limits."""
    asked_for = {
        "evaluation": "SELECT * FROM evaluation ORDER BY stream_id",
        "point": "SELECT * FROM point ORDER BY stream_id, ordinal",
        "alert": "SELECT * FROM alert ORDER BY id",
        "session": "SELECT id, level_unit, worst, judged, verdict FROM session ORDER BY id",
    }
    with store.reading() as connection:
        return {name: [tuple(row) for row in connection.exec_driver_sql(sql)] for name, sql in asked_for.items()}


def bytes_of(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.glob("lotdrift.db")}


# What a preview shows is what is done, for any row of changes


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """Two suppliers of one product, the second with few lots and one of them retested."""
    bench = Bench(tmp_path_factory.mktemp("small") / "lab")
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 16)
    rng = np.random.default_rng(8)
    rows = []
    for supplier, lots in (("Alder Film", 13), ("Birch", 5)):
        for number in range(lots):
            values = [[round(float(value), 3)] for value in rng.lognormal(2.7, 0.15, 2)]
            tested = MONDAY + timedelta(weeks=number)
            rows += lot_rows(f"{supplier[0]}{number}", tested, values, supplier=supplier)
    rows += lot_rows("B0", MONDAY + timedelta(weeks=8), [[12.0], [13.0]], supplier="Birch")
    bench.drop_tests("all.csv", rows)
    bench.run()
    return bench


day = st.integers(0, 15 * 7).map(lambda number: (MONDAY + timedelta(days=number)).date().isoformat())
baselines = st.builds(asked, st.sampled_from([SET_BASELINE, TAKE_BACK_BASELINE]), day=day)
lots = st.builds(asked, st.sampled_from([LEAVE_OUT, PUT_BACK]), lot=st.sampled_from([f"A{n}" for n in range(0, 13, 3)]))
side = st.sampled_from(["upper", "upper", "lower"])
limits = st.builds(asked, st.just(CHANGE_LIMIT), day=day, side=side, value=st.sampled_from(["none", "12", "16", "25"]))
undone = st.builds(asked, st.just(TAKE_BACK_LIMIT), day=day, side=side)


# A failing row of changes is short as it stands: making it shorter would take minutes.
@settings(max_examples=8, deadline=None, phases=(Phase.generate,))
@given(st.lists(st.one_of(baselines, lots, limits, limits, undone), min_size=2, max_size=4))
def test_what_was_shown_is_what_is_done_and_what_a_round_finds(small: Bench, requests: list[LimitRequest]) -> None:
    lab, store = load(small.folder), open_store(small.folder)
    with store.writing() as connection:
        connection.exec_driver_sql("DELETE FROM act")
        renew(connection, lab)
    for request in requests:
        before = bytes_of(small.folder)
        try:
            seen = shown(small, request)
        except CallError:
            with pytest.raises(CallError):
                do(small, request)
            continue
        assert bytes_of(small.folder) == before

        done = do(small, request, seen.mark)

        assert done.document == seen.document
        at_once = stored(store)
        promised = {
            session: verdict
            for one in seen.streams
            for session, verdict in zip(
                one.after.verdicts.index.tolist(), one.after.verdicts["verdict"].tolist(), strict=True
            )
        }
        assert promised.items() <= {row[0]: row[4] for row in at_once["session"]}.items()
        with store.writing() as connection:
            renew(connection, lab)
        assert stored(store) == at_once


def renew(connection: Any, lab: Any) -> None:
    """Evaluate everything again, as a round does."""
    connection.exec_driver_sql("UPDATE stream SET stale = 1")
    derive(connection, lab)


# Verdicts, alerts and control limits


def test_a_new_limit_judges_the_lots_from_its_day_and_no_earlier_one(changed: Bench) -> None:
    day = (MONDAY - timedelta(weeks=20)).date().isoformat()
    do(changed, asked(CHANGE_LIMIT, day=day, value="13"))

    # By hand: the geometric mean of the three bags, as they were dropped, against the limit of the day of the test.
    means = [np.exp(np.log([round(level * part, 4) for part in (0.95, 1.0, 1.05)]).mean()) for level in levels()]
    expected = ["pass" if mean < (13.0 if number >= 40 else 20.0) else "fail" for number, mean in enumerate(means)]
    with open_store(changed.folder).reading() as connection:
        found = connection.exec_driver_sql("SELECT verdict FROM session ORDER BY started_us").scalars()
        assert list(found) == expected
    assert {"pass", "fail"} == set(expected[40:])


def test_alerts_go_and_come_with_a_limit_and_return_when_it_is_taken_back(changed: Bench) -> None:
    store = open_store(changed.folder)
    before = stored(store)
    change = do(changed, asked(CHANGE_LIMIT, day=CHANGED, value="12")).document["streams"][0]
    # Lots near 13 breach a limit of 12, and more of them are likely.
    assert {alert["kind"] for alert in change["alerts"]["come"]} == {"limit", "forecast"}
    assert {(one["before"], one["after"]) for one in change["verdicts"]} == {("pass", "fail")}

    back = do(changed, asked(TAKE_BACK_LIMIT, day=CHANGED)).document["streams"][0]

    assert back["alerts"]["go"] == change["alerts"]["come"]
    assert [(one["lot"], one["after"], one["before"]) for one in back["verdicts"]] == [
        (one["lot"], one["before"], one["after"]) for one in change["verdicts"]
    ]
    # All is as it was, and both entries stay.
    assert stored(store) == before
    with store.reading() as connection:
        whats = connection.exec_driver_sql("SELECT what FROM act ORDER BY id").scalars()
        assert list(whats) == [CHANGE_LIMIT, TAKE_BACK_LIMIT]


def test_a_baseline_taken_back_and_a_lot_put_back_leave_the_figures_as_they_were(changed: Bench) -> None:
    do(changed, asked(SET_BASELINE, day=CHANGED))
    do(changed, asked(LEAVE_OUT, lot="L3"))
    do(changed, asked(PUT_BACK, lot="L3"))
    do(changed, asked(TAKE_BACK_BASELINE, day=CHANGED))

    document = stream(changed)
    assert len(document["limits_history"]) == 1
    assert document["settings"] == []
    assert document["limits"]["from_lots"] + len(document["limits"]["left_out"]) == 25
    assert [act["what"] for act in document["acts"]] == [SET_BASELINE, LEAVE_OUT, PUT_BACK, TAKE_BACK_BASELINE]


def stream(bench: Bench) -> dict[str, Any]:
    return dict(json.loads(CliRunner().invoke(main, ["stream", *NAMES, "--lab", str(bench.folder), "--json"]).stdout))


def test_the_stream_and_the_lot_say_where_their_limit_comes_from(changed: Bench) -> None:
    do(changed, asked(CHANGE_LIMIT, day=CHANGED, value="15", document="contract 7"))

    upper = stream(changed)["specification_limits"]["upper"]
    assert [(step["value"], step["from"], step["where"]) for step in upper] == [
        (50.0, None, "lab.toml"), (20.0, "2018-10-01", "lab.toml"), (15.0, CHANGED, "entry"),
    ]  # fmt: skip
    said = CliRunner().invoke(main, ["lot", NAMES[0], "L40", "--lab", str(changed.folder), "--json"]).stdout
    (session,) = json.loads(said)["sessions"]
    source = session["limit_sources"]["upper"]
    assert (source["who"], source["document"], source["entered_at"]) == (
        "A. Specialist", "contract 7", "2026-11-25T12:00:00+00:00",
    )  # fmt: skip
    assert (session["limit_upper"], session["limit_document"]) == (15.0, "contract 7")


@pytest.mark.parametrize(
    ("value", "than"), [("25", [20.0]), ("none", [20.0]), ("15", []), ("20", [])], ids=["25", "none", "15", "20"]
)
def test_a_looser_limit_is_called_so(changed: Bench, value: str, than: list[float]) -> None:
    seen = shown(changed, asked(CHANGE_LIMIT, day=CHANGED, value=value))

    assert [step.value for step in seen.looser_than] == than


def test_taking_back_a_stricter_limit_is_looser_too(changed: Bench) -> None:
    do(changed, asked(CHANGE_LIMIT, day=CHANGED, value="15"))

    assert [step.value for step in shown(changed, asked(TAKE_BACK_LIMIT, day=CHANGED)).looser_than] == [15.0]


def test_what_changed_since_the_preview_is_not_done_unseen(changed: Bench) -> None:
    request = asked(CHANGE_LIMIT, day=CHANGED, value="12")
    mark = shown(changed, request).mark
    do(changed, asked(SET_BASELINE, day=CHANGED))
    before = stored(open_store(changed.folder))

    with pytest.raises(CallError, match="look at the preview again"):
        do(changed, request, mark)
    assert stored(open_store(changed.folder)) == before


# Refused


@pytest.mark.parametrize(
    ("request_", "said"),
    [
        (asked("guess"), 'limits: "guess" is no change of limits; expected one of set baseline, take back baseline'),
        (asked(SET_BASELINE, day="3 May"), 'set baseline: "3 May" is no day; write it as 2026-03-18'),
        (asked(SET_BASELINE, day="0001-01-01"), "expected a day from 1990-01-01 to 2099-12-31, got 0001-01-01"),
        (asked(TAKE_BACK_BASELINE, day=CHANGED), f"the limits are not set again from {CHANGED}"),
        (asked(LEAVE_OUT, lot="L99"), 'leave out: the stream has no lot "L99"; lotdrift stream lists its lots'),
        (asked(PUT_BACK, lot="L3"), "put back: lot L3 is not left out"),
        (asked(CHANGE_LIMIT, day=CHANGED, value="1,5"), '"1,5" is no number; write it in nJ as 15 or 1e9, or none'),
        (asked(CHANGE_LIMIT, day=CHANGED, value="1e999"), '"1e999" is no number'),
        (asked(CHANGE_LIMIT, day=CHANGED, value="-4"), "expected a limit above 0 on a log scale, got -4"),
        (asked(CHANGE_LIMIT, day=CHANGED, side="middle", value="4"), '"middle" is no side; expected lower or upper'),
        (asked(CHANGE_LIMIT, day=CHANGED, side="lower", value="20"), "the lower limit 20 would not be below the upper one 20"),
        (asked(TAKE_BACK_LIMIT, day=CHANGED), f"nobody entered upper limit from {CHANGED}"),
        (asked(CHANGE_LIMIT, day=CHANGED, value="4", document="x" * 201), "document is too long; write at most 200"),
        (LimitRequest(CHANGE_LIMIT, "", "MB-99", NAMES[2], day=CHANGED, value="4"), "no stream is of MB-99 · shielding_energy"),
    ],
)  # fmt: skip
def test_what_can_not_be_changed_is_told(quiet: Bench, request_: LimitRequest, said: str) -> None:
    with pytest.raises(CallError, match=re.escape(said)):
        shown(quiet, request_)


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """A lab of one lot, to be looked at only."""
    bench = Bench(tmp_path_factory.mktemp("quiet") / "lab")
    bench.drop_tests("a.csv", lot_rows("L3", MONDAY, [[10.0], [11.0]]))
    bench.run()
    before = bytes_of(bench.folder)
    yield bench
    assert bytes_of(bench.folder) == before


def test_a_unit_that_was_declared_anew_is_told_before_anything_is_judged(changed: Bench) -> None:
    changed.declare((changed.folder / "lab.toml").read_text().replace('unit = "nJ"', 'unit = "uJ"'))

    with pytest.raises(CallError, match="in uJ, the store holds it in nJ; do a round"):
        shown(changed, asked(CHANGE_LIMIT, day=CHANGED, value="4"))


# The commands


def call(bench: Bench, *arguments: str) -> tuple[int, str, str]:
    said = CliRunner().invoke(main, [*arguments, "--lab", str(bench.folder)])
    return said.exit_code, said.stdout, said.stderr


SIGNED = ("--by", "A. Specialist", "--because", "new laminator")


def test_a_preview_on_the_command_line_prints_and_does_nothing(changed: Bench) -> None:
    before = bytes_of(changed.folder)
    code, said, _ = call(changed, "limit", *NAMES[1:], "--upper", "12", "--from", CHANGED, "--preview")

    assert code == 0
    assert said.startswith(
        "Preview, nothing is changed yet: Change the upper limit of MB-10, shielding energy to under 12.0 nJ"
    )
    assert "verdicts from pass to fail: L30, L31" in said
    assert "new: Alder Film MB-10, shielding energy: lot at" in said
    assert call(changed, "baseline", *NAMES, "--from", CHANGED, "--preview")[1].count("closed: ") >= 1
    assert bytes_of(changed.folder) == before


def test_a_looser_limit_is_told_with_its_caution_on_the_command_line(changed: Bench) -> None:
    said = call(changed, "limit", *NAMES[1:], "--upper", "none", "--from", CHANGED, "--preview")[1]

    assert "to no limit from" in said
    assert "Looser than under 20.0 nJ (lab.toml). A looser limit passes lots that failed before." in said


def test_what_the_commands_print_as_json_keeps_to_its_schema(changed: Bench) -> None:
    before = call(changed, "limit", *NAMES[1:], "--upper", "12", "--from", CHANGED, "--preview", "--json")[1]
    after = call(changed, "limit", *NAMES[1:], "--upper", "12", "--from", CHANGED, *SIGNED, "--json")[1]
    back = call(changed, "limit", *NAMES[1:], "--take-back", "upper", "--from", CHANGED, *SIGNED, "--json")[1]
    base = call(changed, "baseline", *NAMES, "--from", CHANGED, *SIGNED, "--json")[1]

    documents = [json.loads(said) for said in (before, after, back, base)]
    for document in documents:
        jsonschema.validate(document, schema("limits"), format_checker=FORMATS)
    assert [document.pop("done") for document in documents] == [False, True, True, True]
    assert documents[0] == documents[1]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("limit", *NAMES[1:], "--from", CHANGED), "limit: give one of --upper VALUE, --lower VALUE, --take-back SIDE"),
        (("limit", *NAMES[1:], "--upper", "4", "--from", CHANGED), "change limit: who is blank; an entry needs a name"),
        (("limit", *NAMES[1:], "--take-back", "up", "--from", CHANGED, *SIGNED), 'limit: "up" is no side'),
        (
            ("baseline", *NAMES, "--from", CHANGED, "--put-back", "L3"),
            "baseline: give one of --from DAY, --take-back DAY",
        ),
    ],
)
def test_a_wrong_call_is_one_line(quiet: Bench, arguments: tuple[str, ...], said: str) -> None:
    code, out, told = call(quiet, *arguments)

    assert (code, out, told.count("\n")) == (2, "", 1)
    assert told.startswith(said)


def test_before_the_first_round_there_is_nothing_to_change(bench: Bench) -> None:
    said = call(bench, "limit", *NAMES[1:], "--upper", "4", "--from", CHANGED, "--preview")
    assert said == (2, "", "the lab has no store yet; do a first round with lotdrift run\n")
