"""The evidence bundle: what it holds can be checked by its own files, with plain pandas and SHA-256."""

from __future__ import annotations

import hashlib
import html
import io
import json
import string
import tomllib
import tracemalloc
import zipfile
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import quote, unquote

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm
from support.demolab import demo_lab
from support.labs import LAB_TOML, Bench, csv_text, lot_rows
from support.stores import on_both_stores

from dashboard.cli import main
from dashboard.evidence import bundle_file, bundle_scope, bundle_tables
from dashboard.evidence.declarations import SHOWN
from dashboard.web.app import make_app
from ingest.audit.limit_entries import with_entered_limits
from ingest.audit.subjects import Subject
from ingest.config.lab import load
from ingest.config.lab_file import _tables_in
from ingest.config.models import LabFile
from ingest.decisions import responses
from ingest.store.store import known_store

START = datetime(2026, 7, 6, 9, tzinfo=UTC)
LATER = datetime(2026, 11, 25, 12, tzinfo=UTC)
FORMULA = "=cmd|'/c calc'!A1"
SLIP = "../../../etc/passwd"
WEBHOOK = '\n[[webhook]]\nname = "floor"\nurl = "https://hooks.example.org/T0/sesame-open"\n'
BAGS = [[10.0, 11.0, 12.0], [9.0, 10.0, 11.0], [12.0, 13.0, 11.5]]


def fill(bench: Bench) -> None:
    """Two suppliers, one lot beyond its limit, one reading corrected, one row refused, names that would do harm."""
    bench.declare(LAB_TOML + WEBHOOK)
    bench.drop_climate("log.csv", START - timedelta(days=9), 24 * 40)
    for week in range(3):
        rows = lot_rows(f"L{week}", START + timedelta(weeks=week), [[v * (1 + week / 2) for v in bag] for bag in BAGS])
        bench.drop_tests(f"wk{week}.csv", rows)
    bench.drop_tests("others.csv", lot_rows(SLIP, START + timedelta(days=1), BAGS, supplier=FORMULA))
    bad = lot_rows("L9", START, [[25.0, "OL"]])
    bench.drop_tests("bad.csv", bad)
    bench.run()
    corrected = lot_rows("L1", START + timedelta(weeks=1), [[14.0]])
    bench.drop_tests("corrected.csv", corrected)
    bench.run(LATER)


@pytest.fixture(scope="module")
def filled_once(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = Bench(tmp_path_factory.mktemp("filled"))
    fill(bench)
    return bench


def ask(bench: Bench, *arguments: str) -> Result:
    out = ["--out", str(bench.folder / "given")]
    return CliRunner().invoke(main, ["evidence", *arguments, "--lab", str(bench.folder), *out])


def bundle(bench: Bench, *arguments: str) -> Path:
    found = ask(bench, *arguments)
    assert found.exit_code == 0, found.output
    return Path(found.output.strip())


def unpack(path: Path, to: Path) -> Path:
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        archive.extractall(to)
    return to


def table(folder: Path, name: str) -> pd.DataFrame:
    return pd.read_csv(folder / name, keep_default_na=False, dtype={"lot": str})


class Text(HTMLParser):
    """The text of a page, and what it loads or leads to."""

    def __init__(self) -> None:
        super().__init__()
        self.text = ""
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.links += [str(value) for name, value in attrs if name in ("href", "src")]

    def handle_data(self, data: str) -> None:
        self.text += data


@on_both_stores
def test_level_and_verdict_of_a_lot_follow_from_the_readings_alone(bench: Bench, tmp_path: Path) -> None:
    fill(bench)
    folder = unpack(bundle(bench, "2026-Q3"), tmp_path / "unpacked")
    readings, sessions, limits = (table(folder, f"{name}.csv") for name in ("readings", "sessions", "limits"))

    # By hand, as index.html says: the mean of the bag means of the logarithms, then back.
    held = readings[(readings["state"] == "holds") & (readings["bound"] == 0)]
    held = held.assign(log=np.log(held["value"]))
    bags = held.groupby(["supplier", "lot", "characteristic", "specimen"])["log"].mean()
    levels = np.exp(bags.groupby(level=[0, 1, 2]).mean())
    told = sessions.set_index(["supplier", "lot", "characteristic"])
    # Nine logarithms and two means: a few roundings of 2.2e-16, a thousand times over.
    assert_allclose(levels, told["level"].astype(float)[levels.index], rtol=1e-12)

    upper = limits[(limits["side"] == "upper") & (limits["from"] <= "2026-07-06") & (limits["product"] == "MB-10")]
    limit = float(upper[upper["characteristic"] == "shielding_energy"].sort_values("from")["value"].iloc[-1])
    assert limit == 20.0
    verdicts = np.where(levels < limit, "pass", "fail")
    assert list(verdicts) == list(told["verdict"][levels.index])
    assert set(verdicts) == {"pass", "fail"}


def test_each_verdict_follows_from_the_edges_of_its_decision_rule(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path
) -> None:
    lab = demo_lab(tmp_path_factory.getbasetemp())
    asked = CliRunner().invoke(main, ["evidence", "2026-Q4", "--lab", str(lab), "--out", str(tmp_path)])
    sessions = table(unpack(Path(asked.output.strip()), tmp_path / "unpacked"), "sessions.csv")
    # A judged value that bounded readings leave open is no number to compare.
    told = sessions[~sessions["verdict"].isin(["invalid", "unlimited"]) & (sessions["judged"] != "")]
    accept_lower, reject_lower = (pd.to_numeric(told[f"{side}_lower"]).fillna(-np.inf) for side in ("accept", "reject"))
    accept_upper, reject_upper = (pd.to_numeric(told[f"{side}_upper"]).fillna(np.inf) for side in ("accept", "reject"))
    judged = told["judged"].astype(float)
    accepted = (judged < accept_upper) & (judged >= accept_lower)
    rejected = (judged >= reject_upper) | (judged < reject_lower)
    assert list(np.select([rejected, accepted], ["fail", "pass"], "undecided")) == list(told["verdict"])
    assert set(told["verdict"]) == {"pass", "fail", "undecided"}
    guarded = told["decision_rule"] == "guarded: wrong passes at most 5 %"
    assert set(told["decision_rule"][~guarded]) == {"simple acceptance"}
    assert (accept_upper[guarded] < told["limit_upper"].astype(float)[guarded]).all()


def test_the_bench_part_of_a_test_follows_from_the_readings_of_its_gauge_study(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path
) -> None:
    lab = demo_lab(tmp_path_factory.getbasetemp())
    answer = CliRunner().invoke(main, ["evidence", "2026-Q4", "--lab", str(lab), "--out", str(tmp_path)])
    folder = unpack(Path(answer.output.strip()), tmp_path / "unpacked")
    study, sessions = table(folder, "gauge-studies.csv"), table(folder, "sessions.csv")
    assert set(study["sha256"]) == {hashlib.sha256((lab / study["file"][0]).read_bytes()).hexdigest()}

    # By hand, as an analysis of variance table (statsmodels): what the loads share beyond bag by load.
    frame = study.assign(x=np.log(study["value"]))
    squares = anova_lm(ols("x ~ C(specimen) * C(session)", frame).fit())["mean_sq"]
    loads, both = squares["C(session)"], squares["C(specimen):C(session)"]
    bags, repeats = frame["specimen"].nunique(), frame["reading"].nunique()
    variance = (loads - both) / (bags * repeats)
    df = (loads - both) ** 2 / (
        loads**2 / (frame["session"].nunique() - 1) + both**2 / ((bags - 1) * (frame["session"].nunique() - 1))
    )

    by_study = sessions[sessions["bench_part_from"] == "gauge study"]
    assert set(by_study["characteristic"]) == {"surface_resistance_inside"}
    # Nine significant digits are stored.
    assert_allclose(by_study["bench_part"].astype(float), np.sqrt(variance), rtol=1e-8)
    assert_allclose(by_study["bench_part_df"].astype(float), df, rtol=1e-8)
    assert (by_study["uncertainty"].astype(float) > np.sqrt(variance)).all()
    assert (by_study["started_at"] >= study["known_from"][0]).all()


def within(log: pd.DataFrame, rule: dict[str, float]) -> pd.Series:
    """Whether each entry of a chamber's log lies within the tolerance of the conditioning."""
    humid = (log["humidity_percent"].astype(float) - rule["humidity_percent"]).abs() <= rule["humidity_tolerance"]
    warm = (log["temperature_c"].astype(float) - rule["temperature_c"]).abs() <= rule["temperature_tolerance_c"]
    return humid & warm


def hours_by_hand(session: pd.Series, loads: pd.DataFrame, climate: pd.DataFrame, rule: dict[str, float]) -> float:
    """The hours of a test as index.html says, for a load that was moved nowhere."""
    started = session["started_at"]
    log = climate[(climate["chamber"] == session["chamber"]) & (climate["logged_at"] <= started)].sort_values(
        "logged_at"
    )
    if session["hours_of"] == "chamber":
        log = log[log["logged_at"] >= started - pd.Timedelta(hours=max(168, 2 * rule["hours"]))]
    pause = log["logged_at"].diff() > pd.Timedelta(minutes=rule["longest_gap_minutes"])
    broken = np.flatnonzero(~within(log, rule) | pause)
    # The entry after a pause begins a run, the one out of tolerance ends one.
    first = broken[-1] + int(not within(log, rule).iloc[broken[-1]]) if len(broken) else 0
    clock = log["logged_at"].iloc[first]
    if session["hours_of"] == "load":
        own = loads[
            (loads["load"] == session["load"]) & loads["lot"].isin([session["lot"], ""]) & (loads["at"] <= started)
        ]
        clock = max(clock, own.loc[own["event"] == "in", "at"].max())
    return (started - clock) / pd.Timedelta(hours=1)


def check_hours(folder: Path) -> pd.DataFrame:
    """Recompute the hours of every valid test in an unpacked bundle; its sessions."""
    sessions, loads, climate = (table(folder, f"{name}.csv") for name in ("sessions", "loads", "climate"))
    for frame, names in ((sessions, ["started_at"]), (loads, ["at"]), (climate, ["logged_at"])):
        frame[names] = frame[names].apply(pd.to_datetime, utc=True)
    declared = tomllib.loads((folder / "lab.toml").read_text(encoding="utf-8"))["conditioning"]
    (rule,) = declared.values()
    judged = sessions[sessions["conditioning"].isin(["valid", "short"])]
    assert len(judged)
    for _, session in judged.iterrows():
        # Hours of microseconds: a few roundings of 2.2e-16.
        assert_allclose(hours_by_hand(session, loads, climate, rule), float(session["hours"]), rtol=1e-9)
    return sessions


def test_the_hours_of_a_lot_of_the_demo_follow_from_the_bundle_alone(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path
) -> None:
    lab = demo_lab(Path(str(tmp_path_factory.getbasetemp())))
    arguments = ["evidence", "--lot", "Brackenfoil", "BF07191", "--lab", str(lab), "--out", str(tmp_path / "given")]
    found = CliRunner().invoke(main, arguments)
    assert found.exit_code == 0, found.output
    check_hours(unpack(Path(found.output.strip()), tmp_path / "unpacked"))


@on_both_stores
def test_the_hours_of_a_load_follow_from_its_entry_and_the_chamber_log_alone(bench: Bench, tmp_path: Path) -> None:
    bench.drop_climate("log.csv", START - timedelta(days=5), 24 * 9)
    bench.drop_climate("other.csv", START - timedelta(days=5), 24 * 9, chamber="C2")
    entries = [
        ((START - timedelta(hours=hours)).isoformat(), load, "C1", "in", *names)
        for hours, load, names in (
            (67.5, "A", ("Alder Film", "MB-10", "L0")),
            (20, "B", ("Alder Film", "MB-10", "L1")),
            (300, "B", ("Alder Film", "MB-10", "L7")),
            (80, "C", ("", "", "")),
            (90, "D", ("Alder Film", "MB-10", "L4")),
        )
    ]
    entries.append(((START - timedelta(hours=30)).isoformat(), "D", "C1", "out", "", "", ""))
    (bench.folder / "drops" / "loads").mkdir()
    heads = ("at", "load", "chamber", "event", "supplier", "product", "lot")
    bench.drop("loads.csv", csv_text(heads, entries), "loads")
    for lot, name in (("L0", "A"), ("L1", "B"), ("L2", "C"), ("L3", ""), ("L4", "")):
        bench.drop_tests(f"{lot}.csv", [{**row, "load": name} for row in lot_rows(lot, START, BAGS)])
    bench.run(LATER)

    folder = unpack(bundle(bench, "2026-Q3"), tmp_path / "unpacked")
    sessions = check_hours(folder).set_index("lot")
    assert dict(sessions["hours_of"]) == {"L0": "load", "L1": "load", "L2": "load", "L3": "chamber", "L4": "load"}
    assert (sessions.loc["L0", "hours"], sessions.loc["L1", "conditioning"]) == (67.5, "short")
    # Events of other lots of the load and the logs of other chambers bear on none of these tests.
    assert set(table(folder, "loads.csv")["lot"]) == {"L0", "L1", "L4", ""}
    # The test of L4 names no load: it is judged by the load that names its lot, which had been taken out as a whole.
    events = table(folder, "loads.csv").set_index("load").loc["D", "event"]
    assert (sessions.loc["L4", "conditioning"], list(events)) == ("unlogged", ["in", "out"])
    assert set(table(folder, "climate.csv")["chamber"]) == {"C1"}
    files = table(folder, "files.csv")
    assert "loads.csv" in set(files["name"])


@on_both_stores
def test_the_log_of_a_chamber_in_which_a_load_was_before_is_in_the_bundle(bench: Bench, tmp_path: Path) -> None:
    for chamber in ("C1", "C2"):
        bench.drop_climate(f"{chamber}.csv", START - timedelta(days=5), 24 * 9, chamber=chamber)
    events = [
        ((START - timedelta(hours=60)).isoformat(), "A", "C2", "in"),
        ((START - timedelta(hours=5)).isoformat(), "A", "C1", "moved"),
    ]
    (bench.folder / "drops" / "loads").mkdir()
    bench.drop("loads.csv", csv_text(("at", "load", "chamber", "event"), events), "loads")
    bench.drop_tests("t.csv", [{**row, "load": "A"} for row in lot_rows("L0", START, BAGS)])
    bench.run(LATER)

    folder = unpack(bundle(bench, "2026-Q3"), tmp_path / "unpacked")
    assert set(table(folder, "climate.csv")["chamber"]) == {"C1", "C2"}
    assert list(table(folder, "loads.csv")["event"]) == ["in", "moved"]


def test_the_bundle_holds_what_shows_that_the_instrument_was_right(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path
) -> None:
    lab = demo_lab(Path(str(tmp_path_factory.getbasetemp())))
    found = CliRunner().invoke(main, ["evidence", "2026-Q3", "--lab", str(lab), "--out", str(tmp_path / "given")])
    assert found.exit_code == 0, found.output
    folder = unpack(Path(found.output.strip()), tmp_path / "unpacked")
    sessions, calibrations, checks = (
        table(folder, f"{name}.csv") for name in ("sessions", "calibrations", "instrument-checks")
    )
    assert set(sessions["instrument_state"]) <= {"checked", "unchecked", "overdue", "failed"}
    sessions["tested"] = pd.to_datetime(sessions["started_at"], utc=True)
    calibrations["done"] = pd.to_datetime(calibrations["done_at"], utc=True)
    right = sessions[sessions["instrument_state"] == "checked"]
    assert len(right)
    for _, session in right.iterrows():
        own = calibrations[
            (calibrations["instrument"] == session["instrument"]) & (calibrations["done"] <= session["tested"])
        ]
        due = own.sort_values("done")["due_on"].iloc[-1]
        assert due == "" or session["started_at"][:10] <= due
    of_tester = checks[(checks["kind"] == "set-up check") & checks["checked"].isin(set(right["instrument"]))]
    assert set(of_tester["outcome"]) >= {"passed"}
    for name in ("as_found_percent", "as_left_percent", "uncertainty_percent"):
        assert not calibrations[name].astype(str).str.startswith("'").any()
    files = table(folder, "files.csv")
    assert set(calibrations["file_number"]) <= set(files["file_number"])


@on_both_stores
def test_the_same_store_gives_the_same_bytes(bench: Bench) -> None:
    fill(bench)
    for asked in (["2026-Q3"], ["--lot", "Alder Film", "L1"], ["2026-Q3", "--supplier", "Alder Film"]):
        first = bundle(bench, *asked).read_bytes()
        assert bundle(bench, *asked).read_bytes() == first


def test_every_hash_holds_and_the_page_lists_them(bench: Bench, tmp_path: Path) -> None:
    fill(bench)
    folder = unpack(bundle(bench, "2026-Q3"), tmp_path / "unpacked")
    page = Text()
    page.feed((folder / "index.html").read_text(encoding="utf-8"))
    listed = dict(reversed(line.split("  ")) for line in (folder / "sha256.txt").read_text().splitlines())

    assert set(listed) | {"sha256.txt"} == {path.name for path in folder.iterdir()}
    for name, digest in listed.items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
        assert name == "index.html" or digest in page.text
    # It works offline: nothing is loaded, and links lead to the files beside it.
    assert set(page.links) == set(listed) - {"index.html"}
    for told in ("does not release them", "explosive", "1 kV", *bundle_tables.COLUMNS):
        assert told in page.text


def test_the_source_files_are_those_that_were_read_or_it_says_so(bench: Bench, tmp_path: Path) -> None:
    fill(bench)
    files = table(unpack(bundle(bench, "2026-Q3"), tmp_path / "first"), "files.csv")
    assert set(files["bytes_there"]) == {"the same"}
    for digest, place in zip(files["sha256"], files["lies_in"], strict=True):
        assert hashlib.sha256((bench.folder / place).read_bytes()).hexdigest() == digest
    assert set(files["name"]) == {
        "log.csv", "wk0.csv", "wk1.csv", "wk2.csv", "others.csv", "bad.csv", "corrected.csv",
    }  # fmt: skip
    counted = files[["stored", "duplicate", "corrected", "refused"]].sum()
    assert list(counted[["corrected", "refused"]]) == [1, 1]

    (bench.folder / "filed" / "wk0.csv").write_bytes(b"tampered")
    (bench.folder / "filed" / "wk1.csv").unlink()
    after = table(unpack(bundle(bench, "2026-Q3"), tmp_path / "after"), "files.csv").set_index("name")["bytes_there"]
    assert (after["wk0.csv"], after["wk1.csv"], after["wk2.csv"]) == ("others", "not there", "the same")


def test_a_corrected_reading_shows_what_it_said_before_and_from_where(bench: Bench, tmp_path: Path) -> None:
    fill(bench)
    readings = table(unpack(bundle(bench, "--lot", "Alder Film", "L1"), tmp_path / "unpacked"), "readings.csv")

    assert set(readings["lot"]) == {"L1"}
    first = readings[(readings["specimen"] == 1) & (readings["reading"] == 1)]
    assert first[["value", "state", "file", "line", "replaced_by_file"]].to_numpy().tolist() == [
        [15.0, "replaced", "wk1.csv", 2, "corrected.csv"],
        [14.0, "holds", "corrected.csv", 2, ""],
    ]
    assert first["replaced_at"].iloc[0] == LATER.isoformat()
    assert (readings["state"] == "holds").sum() == 9


def test_the_chamber_log_is_all_that_the_judgement_looked_at(bench: Bench, tmp_path: Path) -> None:
    fill(bench)
    climate = table(unpack(bundle(bench, "--lot", "Alder Film", "L1"), tmp_path / "unpacked"), "climate.csv")
    times = pd.to_datetime(climate["logged_at"], utc=True)

    # 48 hours are asked for; a judgement looks back over seven days, so that an excursion is told whole.
    tested = START + timedelta(weeks=1)
    assert times.min() == tested - timedelta(days=7)
    assert tested - timedelta(minutes=30) < times.max() <= tested + timedelta(minutes=8)
    assert times.is_monotonic_increasing
    assert len(climate) == 7 * 48 + 1


def test_control_limits_name_the_lots_that_set_them(bench: Bench, tmp_path: Path) -> None:
    bench.drop_climate("log.csv", START - timedelta(days=9), 24 * 90)
    rng = np.random.default_rng(7)
    for week in range(10):
        energies = (10 * np.exp(rng.normal(0, 0.05, (3, 2)))).round(3).tolist()
        bench.drop_tests(f"wk{week}.csv", lot_rows(f"L{week}", START + timedelta(weeks=week), energies))
    bench.run()

    limits = table(unpack(bundle(bench, "--lot", "Alder Film", "L9"), tmp_path / "unpacked"), "control-limits.csv")

    lots = json.loads(limits["lots"].iloc[0])
    assert len(lots) == limits["lots_counted"].iloc[0]
    left_out = {one["lot"] for one in json.loads(limits["left_out"].iloc[0])}
    assert sorted([*lots, *left_out]) == [f"L{week}" for week in range(10)]


def test_names_stay_text_and_lead_nowhere(bench: Bench, tmp_path: Path) -> None:
    fill(bench)
    path = bundle(bench, "--lot", FORMULA, SLIP)

    assert path.parent == bench.folder / "given"
    with zipfile.ZipFile(path) as archive:
        names = archive.namelist()
    assert all(name.replace("-", "").replace(".", "").isalnum() for name in names)
    folder = unpack(path, tmp_path / "unpacked")
    assert sorted(item.name for item in folder.rglob("*")) == sorted(names)
    for name in names:
        if name.endswith(".csv"):
            cells = pd.read_csv(folder / name, header=None, dtype=str, keep_default_na=False).to_numpy().ravel()
            # https://owasp.org/www-community/attacks/CSV_Injection (from memory): = + - @, tab and return begin a formula.
            assert not [
                cell
                for cell in cells
                if cell[:1] in tuple("=@\t\r") or (cell.startswith(("+", "-")) and not _is_number(cell))
            ]
    assert f"'{FORMULA}" in set(table(folder, "readings.csv")["supplier"])


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def test_the_page_shows_names_as_text(bench: Bench, tmp_path: Path) -> None:
    name = "<script>alert(1)</script>"
    bench.drop_climate("log.csv", START - timedelta(days=9), 24 * 10)
    bench.drop_tests("a.csv", lot_rows(name, START, BAGS))
    bench.run()
    page = (unpack(bundle(bench, "--lot", "Alder Film", name), tmp_path / "unpacked") / "index.html").read_text()

    assert "<script" not in page
    assert "&lt;script&gt;alert(1)" in page


# The declarations


def members_of(bench: Bench, declared: str) -> dict[str, bytes]:
    """What the bundle of a lot holds in a lab that declares this."""
    bench.declare(declared)
    store, out = known_store(bench.folder), io.BytesIO()
    assert store is not None
    with store.reading() as connection:
        bundle_file.write(connection, load(bench.folder), bundle_scope.of_lot(connection, "Alder Film", "L1"), out)
    with zipfile.ZipFile(out) as archive:
        assert archive.comment == b""
        return {name: archive.read(name) for name in archive.namelist()}


def escaped(text: str) -> str:
    """A text with every character written by its number, as TOML allows."""
    return "".join(f"\\u{ord(c):04x}" for c in text)


# TOML 1.0.0, https://toml.io/en/v1.0.0: keys, strings, inline tables and comments, from memory.
SPELLINGS = (
    'webhook = [ { name = "floor", url = "<address>" } ]\n<lab>',
    "webhook = [ { 'name' = 'floor', \"url\" = '<address>' } ]\n<lab>",
    '<lab>[[webhook]]\nname = "floor"\nurl = "<address>"\n',
    "<lab>[[webhook]]\nname = 'floor'\nurl='<address>'\n",
    '<lab>[["webhook"]]\n"name" = "floor"\n"url" = "<address>"\n',
    '<lab>[[webhook]]\nname = "floor"\nurl = """<address>"""\n',
    '<lab>[[webhook]]\nname = "floor"\nurl = """\\\n   <address>"""\n',
    "<lab>[[webhook]]\nname = 'floor'\nurl = '''\n<address>'''\n",
    '<lab>[[webhook]]\nname = "floor"\nurl = "<escaped>"\n',
    '<lab>[[webhook]]\nname = "floor"\nurl = "https://hooks.example.org/in"   # once <address>\n',
    '<lab># url = "<address>"\n',
    '<lab>#store = "postgresql+psycopg://bench:<secret>@db.example.org/lots?password=<secret>"\n',
    '<lab>[mail]\ndashboard = "<address>"\n',
)


@settings(max_examples=80)
@given(
    spelling=st.sampled_from(SPELLINGS),
    secret=st.text(string.ascii_letters + string.digits + "-_.~!$&*+,;=:?/%", max_size=30).map("sEsame-".__add__),
)
def test_no_spelling_of_a_secret_reaches_the_bundle(filled_once: Bench, spelling: str, secret: str) -> None:
    address = f"https://hooks.example.org/T0/{secret}"
    declared = spelling
    for mark, text in (
        ("<lab>", LAB_TOML),
        ("<address>", address),
        ("<escaped>", escaped(address)),
        ("<secret>", secret),
    ):
        declared = declared.replace(mark, text)

    members = members_of(filled_once, declared)

    forms = {secret, quote(secret), quote(secret, safe=""), unquote(secret), escaped(secret), "sEsame"}
    forms |= {html.escape(form) for form in forms}
    for name, data in members.items():
        assert [form for form in forms if form.encode() in data] == [], name
        assert b"hooks.example.org" not in data
        assert b"db.example.org" not in data


def test_the_declarations_of_the_bundle_declare_the_same(bench: Bench, tmp_path: Path) -> None:
    more = """
[[product]]
name = "MB-10"
class = 'low "charging" \\ poly'
outside = false
upper_limit = { shielding_energy = false, surface_resistance = 1e10 }
[[check_standard]]
supplier = "bench"
product = "kept coupon"
[shielding_source]
capacitance_pf = 100
voltage_v = 1000
[[source]]
kind = "tests"
folder = "drops/more"
columns = { value = "Wert" }
fixed = { chamber = "C1" }
words = { OL = ">1E13" }
[schedule]
every_minutes = 5
"""
    fill(bench)
    members = members_of(bench, LAB_TOML + WEBHOOK + more)
    again = tmp_path / "again"
    again.mkdir()
    (again / "lab.toml").write_bytes(members["lab.toml"])

    theirs, ours = load(again), load(bench.folder)

    for name in (
        "name", "zone", "session_hours", "conditioning", "characteristics", "products", "check_standards",
        "shielding_source", "baseline", "alerts", "scorecard", "sources",
    ):  # fmt: skip
        assert getattr(theirs, name) == getattr(ours, name), name
    assert (theirs.webhooks, theirs.schedule) == ((), None)
    digest = hashlib.sha256((bench.folder / "lab.toml").read_bytes()).hexdigest()
    assert f"\n# {digest}\n" in members["lab.toml"].decode()


# What an auditor is not handed: where the store is, whom alerts reach, when rounds are done.
LEFT_OUT = {"lab.store", "mail", "webhook", "route", "digest", "loads", "schedule", "serve"}


def test_every_key_of_the_declarations_is_shown_or_left_out_on_purpose() -> None:
    keys = set()
    for table, info in LabFile.model_fields.items():
        model = next(_tables_in(info.annotation))
        keys |= {f"{table}.{field.alias or name}" for name, field in model.model_fields.items()}
    shown = {f"{table}.{key}" for table, own in SHOWN.items() for key in own}

    # A new key is written only once it is named in one of both.
    assert {key for key in keys - shown if not {key, key.partition(".")[0]} & LEFT_OUT} == set()
    assert shown <= keys


def test_a_suppliers_bundle_holds_its_own_tests_and_the_entries_about_them(bench: Bench, tmp_path: Path) -> None:
    fill(bench)
    store = known_store(bench.folder)
    assert store is not None
    with store.writing() as connection:
        for supplier, lot, reason in (("Alder Film", "L2", "beyond its limit"), (FORMULA, SLIP, "of another")):
            subject = str(Subject.lot(supplier, lot))
            responses.respond(connection, subject, "hold", "R. Q.", reason, "", LATER)
    folder = unpack(bundle(bench, "2026-Q3", "--supplier", "Alder Film"), tmp_path / "unpacked")

    for name in ("readings.csv", "sessions.csv", "alerts.csv", "control-limits.csv"):
        assert set(table(folder, name)["supplier"]) <= {"Alder Film"}
    decisions = table(folder, "decisions.csv")
    assert decisions[["who", "what", "reason"]].to_numpy().tolist() == [["R. Q.", "hold", "beyond its limit"]]
    alerts = table(folder, "alerts.csv")
    assert "limit" in set(alerts["kind"])
    assert [path.name for path in folder.glob("*.pdf")] == ["scorecard-2026-Q3-Alder-Film.pdf"]


def test_alerts_are_those_whose_evidence_reaches_into_the_quarter(bench: Bench, tmp_path: Path) -> None:
    for month, name in ((5, "before"), (7, "within")):
        day = START.replace(month=month)
        bench.drop_climate(f"{name}.csv", day - timedelta(days=9), 24 * 10, humidity=20.0)
        bench.drop_tests(f"tests-{name}.csv", lot_rows(name, day, BAGS))
    bench.run()
    alerts = table(unpack(bundle(bench, "2026-Q3"), tmp_path / "unpacked"), "alerts.csv")

    climate = alerts[alerts["kind"] == "climate"]
    assert [json.loads(told)["lots"] for told in climate["evidence"]] == [["Alder Film within"]]


def test_refused_rows_stand_with_their_reason_and_cells(bench: Bench, tmp_path: Path) -> None:
    fill(bench)
    refused = table(unpack(bundle(bench, "2026-Q3"), tmp_path / "unpacked"), "refused.csv")

    assert refused[["file", "line"]].to_numpy().tolist() == [["bad.csv", 3]]
    assert "OL" in json.loads(refused["cells"].iloc[0])
    assert "value" in refused["reason"].iloc[0]


WRONG_CALLS = [
    ([], "evidence: give a quarter such as 2026-Q3"),
    (["2026-Q3", "--lot", "Alder Film", "L1"], "evidence: give a quarter such as 2026-Q3"),
    (["--lot", "Alder Film", "L1", "--supplier", "Alder Film"], "evidence: give a quarter such as 2026-Q3"),
    (["--lot", "Alder Film", "L99"], 'evidence: supplier "Alder Film" has no lot "L99"'),
    (["2026-Q1"], "evidence: nobody had a test in 2026-Q1"),
    (["2026-Q3", "--supplier", "Nobody"], 'evidence: supplier "Nobody" had no test'),
    (["Q3"], "scorecard: expected a quarter like 2026-Q3"),
]


def test_a_wrong_call_is_one_line_and_writes_nothing(bench: Bench) -> None:
    fill(bench)
    for arguments, line in WRONG_CALLS:
        found = ask(bench, *arguments)
        assert (found.exit_code, found.stderr.count("\n")) == (2, 1)
        assert found.stderr.startswith(line)
    assert not (bench.folder / "given").exists()


def test_the_pages_hand_out_the_bytes_of_the_command(bench: Bench) -> None:
    fill(bench)
    client = make_app(bench.folder).server.test_client()
    for query, asked in (
        ({"quarter": "2026-Q3"}, ["2026-Q3"]),
        ({"quarter": "2026-Q3", "supplier": "Alder Film"}, ["2026-Q3", "--supplier", "Alder Film"]),
        ({"supplier": "Alder Film", "lot": "L1"}, ["--lot", "Alder Film", "L1"]),
    ):
        answer = client.get("/evidence-file", query_string=query, headers={"Host": "127.0.0.1"})
        path = bundle(bench, *asked)
        assert answer.headers["Content-Disposition"] == f'attachment; filename="{path.name}"'
        assert int(answer.headers["Content-Length"]) == len(answer.data)
        assert zipfile.is_zipfile(io.BytesIO(answer.data))
        assert answer.data == path.read_bytes()
    missing = client.get("/evidence-file", query_string={"supplier": "X", "lot": "Y"}, headers={"Host": "127.0.0.1"})
    assert missing.status_code == 404


@on_both_stores
def test_rows_are_drawn_some_at_a_time(bench: Bench) -> None:
    bench.drop_tests("many.csv", lot_rows("L0", START, [[10.0] * 1000] * 12))
    bench.run()
    store, lab = known_store(bench.folder), load(bench.folder)
    assert store is not None
    with store.reading() as connection:
        scope = bundle_scope.of_lot(connection, "Alder Film", "L0")
        source = bundle_tables.Source(connection, with_entered_limits(connection, lab), scope, set())
        drawn, held = (
            _peak(lambda keep=keep: [row for row in bundle_tables.rows_of("readings.csv", source) if keep])
            for keep in (False, True)
        )
    # 2,000 of 12,000 rows are at hand at a time: a sixth, and what the rows cost besides.
    assert drawn < held / 3


def _peak(work: object) -> int:
    tracemalloc.start()
    try:
        work()  # type: ignore[operator]
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
