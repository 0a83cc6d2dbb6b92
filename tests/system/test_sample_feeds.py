"""The demo's invented feeds: drawn again they are the same bytes, and each story is in the raw files.

The truth that is looked for stands in `sample_feeds.scenario`; it is found with pandas and scipy alone, so that none of
our own statistics vouches for itself. Where a drawn value is compared with its truth, the tolerance is 4 standard
errors: 6 in 100,000 for a false failure of a normal one, and the draw is fixed.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from importlib.resources import files
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import sample_feeds
from ingest.config.lab import load
from ingest.intake.find_drops import find_drops
from ingest.parsing import parse_file
from sample_feeds import scenario
from sample_feeds.generate import write_feeds
from sample_feeds.study import BOTH_SD, LOAD_SD, LOADS, READING_SD

HOME = Path(str(files("sample_feeds")))
DISCHARGES = [f"d{number}" for number in range(1, 7)]
WEEK = timedelta(weeks=1)
NOW = datetime(2027, 3, 3, 9, 30, tzinfo=UTC)


def _all(pattern: str, **how: object) -> pd.DataFrame:
    return pd.concat([pd.read_csv(path, **how) for path in sorted(HOME.glob(pattern))], ignore_index=True)  # type: ignore[call-overload]


@pytest.fixture(scope="module")
def bags() -> pd.DataFrame:
    """Energy: a row a bag, with the mean of the natural log of its discharges."""
    found = _all("tests/energy-*.csv", parse_dates=["tested_at"])
    return found.assign(log=np.log(found[DISCHARGES]).mean(axis=1), day=found["tested_at"].dt.normalize())


@pytest.fixture(scope="module")
def ohms() -> pd.DataFrame:
    """Resistance: a row a reading, with its natural log and whether it is over range."""
    found = _all("tests/resistance-*.csv", parse_dates=["tested_at"], dtype={"value": str})
    over = found["value"].str.startswith(">")
    log = np.log(found["value"].str.lstrip(">").astype(float))
    return found.assign(over=over, log=log, day=found["tested_at"].dt.normalize())


@pytest.fixture(scope="module")
def log() -> pd.DataFrame:
    return _all("climate/*.csv", parse_dates=["logged_at"])


@pytest.fixture(scope="module")
def evening() -> pd.DataFrame:
    return _all("tests/evening bench *.csv", sep=";", skiprows=3, encoding="cp1252", dtype=str)


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sample_feeds.copy_to(tmp_path_factory.mktemp("demo") / "lab", NOW)


def _lots(rows: pd.DataFrame, product: str, characteristic: str = scenario.ENERGY) -> pd.DataFrame:
    """Lot levels (natural log) of a product in order of time, one a day of test."""
    own = rows[rows["product"] == product]
    if "characteristic" in own:
        own = own[own["characteristic"] == characteristic]
    return own.groupby(["day", "lot"])["log"].mean().reset_index().sort_values("day", ignore_index=True)


def _between(lots: pd.DataFrame, first: date | str, last: date | str) -> pd.DataFrame:
    return lots[(lots["day"] >= pd.Timestamp(first)) & (lots["day"] < pd.Timestamp(last))]


def _without_gain(lots: pd.DataFrame) -> pd.DataFrame:
    broken, repaired, _ = scenario.TESTER_GAIN
    return lots[(lots["day"] < pd.Timestamp(broken)) | (lots["day"] >= pd.Timestamp(repaired))]


def _slope_a_week(lots: pd.DataFrame) -> tuple[float, float]:
    weeks = (lots["day"] - lots["day"].iloc[0]) / pd.Timedelta(WEEK)
    line = stats.linregress(weeks, lots["log"])
    return float(line.slope), float(line.stderr)


def _ratio(after: pd.Series, before: pd.Series) -> tuple[float, float]:
    """Difference of mean logs, and its standard error."""
    return float(after.mean() - before.mean()), float(np.hypot(stats.sem(after), stats.sem(before)))


def _slope_of(course: scenario.Course) -> float:
    (early, low), (late, high) = course
    return float(np.log(high / low) / ((late - early) / WEEK))


# The files


def test_drawing_again_gives_the_committed_bytes(tmp_path: Path) -> None:
    write_feeds(tmp_path)

    def digests(folder: Path) -> dict[str, str]:
        found = [path for kind in ("tests", "climate", "studies") for path in folder.glob(f"{kind}/*")]
        return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in found}

    assert digests(tmp_path) == digests(HOME)


def test_the_gauge_study_is_crossed_and_its_loads_differ_as_drawn() -> None:
    (declared,) = load(HOME).gauge_studies
    study = pd.read_csv(HOME / declared.file, parse_dates=["tested_at"])
    study["log"] = np.log(study["value"])
    cells = study.pivot_table(index="product", columns="load", values="log")
    assert (cells.shape, cells.notna().all(axis=None)) == ((8, LOADS), True)
    assert study["tested_at"].max().date() < declared.done_on
    # Six loads: their means vary by the load, and by an eighth of bag by load and of the readings.
    truth = LOAD_SD**2 + (BOTH_SD**2 + READING_SD**2 / 2) / 8
    assert stats.chi2.isf(1 - 3e-5, 5) < 5 * cells.mean().var() / truth < stats.chi2.isf(3e-5, 5)


def test_what_the_lab_declares_from_a_day_moves_with_the_feeds(tmp_path: Path) -> None:
    shift = (NOW - sample_feeds.LAST_TEST) // WEEK * WEEK
    before, after = load(HOME), load(sample_feeds.copy_to(tmp_path / "lab", NOW))
    assert shift
    days = [
        (lab.gauge_studies[0].done_on, lab.characteristic("shielding_energy").decision[1].from_)
        for lab in (before, after)
    ]
    assert [later - earlier for earlier, later in zip(*days, strict=True)] == [shift, shift]
    # The edition of a standard keeps its day.
    editions = [lab.characteristic("shielding_energy").upper_limit[1].from_ for lab in (before, after)]
    assert editions == [date(2018, 10, 1)] * 2


def test_the_feeds_stay_small() -> None:
    assert sum(path.stat().st_size for path in HOME.glob("*/*.csv")) < 4_000_000


def test_the_lab_says_that_it_is_invented() -> None:
    assert "invented" in (HOME / "lab.toml").read_text(encoding="utf-8").splitlines()[0]
    assert "made up" in (HOME / "README.md").read_text(encoding="utf-8")


def test_the_readme_names_its_copy_in_the_demo_lab() -> None:
    assert f"`{sample_feeds.MARK}`" in (HOME / "README.md").read_text(encoding="utf-8")


def test_the_readme_dates_each_lot_that_it_names_as_the_feeds_do(
    bags: pd.DataFrame, ohms: pd.DataFrame, evening: pd.DataFrame
) -> None:
    told = " ".join((HOME / "README.md").read_text(encoding="utf-8").split())
    late = pd.DataFrame({"lot": evening["Batch"], "day": pd.to_datetime(evening["Time"].str[:10], format="%d.%m.%Y")})
    first_day = pd.concat([bags, ohms, late]).groupby("lot")["day"].min()
    found = re.findall(r"[lL]ot ([A-Z]{2}\d{5})[^.]*?(\d{4}-\d\d-\d\d)", told)

    assert len(found) == len(set(re.findall(r"\b[A-Z]{2}\d{5}\b", told))) == 7
    assert dict(found) == {lot: f"{first_day[lot]:%Y-%m-%d}" for lot, _ in found}


def test_the_pace_is_that_of_a_lab(bags: pd.DataFrame, ohms: pd.DataFrame, evening: pd.DataFrame) -> None:
    plain = pd.concat([bags.assign(characteristic=scenario.ENERGY), ohms])
    streams = plain.groupby(["supplier", "product", "characteristic"])["lot"].nunique()

    assert len(streams) + evening["Property"].nunique() == 31
    assert streams.drop(scenario.STANDARDS).min() == 8
    assert bags.groupby(["product", "lot", "day"])["specimen"].nunique().drop("coupon C").eq(6).all()


def test_levels_and_spreads_lie_where_labs_see_them(bags: pd.DataFrame) -> None:
    # Common practice, no single source: repeats on a bag 3 to 10 %, bags of a lot 5 to 20 %.
    usual = bags[(bags["supplier"] != scenario.STANDARDS) & (bags["lot"] != "BF07191")]
    repeats = np.log(usual[DISCHARGES]).var(axis=1, ddof=1).groupby(usual["product"]).mean() ** 0.5
    between = usual.groupby(["product", "lot", "day"])["log"].var(ddof=1).groupby("product").mean() ** 0.5

    assert repeats.between(0.03, 0.10).all()
    assert between.between(0.05, 0.21).all()


# Conditioning


def test_the_log_of_each_chamber_is_unbroken(log: pd.DataFrame) -> None:
    gaps = log.sort_values("logged_at").groupby("chamber")["logged_at"].diff().dropna()

    assert gaps.eq(pd.Timedelta(minutes=30)).all()


def test_the_log_leaves_the_tolerance_in_one_week_and_chamber_only(log: pd.DataFrame) -> None:
    outside = log[(log["humidity_percent"] > 15) | (log["humidity_percent"] < 9)]

    assert set(outside["chamber"]) == {"south"}
    assert outside["logged_at"].between("2026-03-18 12:00", "2026-03-21 20:00").all()
    assert outside["humidity_percent"].between(15, 20).all()
    assert log["temperature_c"].between(20, 26).all()


def test_tests_in_the_humid_week_follow_less_than_48_dry_hours(bags: pd.DataFrame, log: pd.DataFrame) -> None:
    tests = bags.groupby(["chamber", "product", "lot", "day"], as_index=False)["tested_at"].min()
    humid = log[log["humidity_percent"] > 15]
    hit = [
        ((humid["chamber"] == test.chamber) & (humid["logged_at"] <= test.tested_at)
         & (humid["logged_at"] > test.tested_at - pd.Timedelta(hours=48))).any()
        for test in tests.itertuples()
    ]  # fmt: skip

    assert set(tests["day"][hit].dt.date) == {date(2026, 3, 20)}
    assert sum(hit) >= 4
    assert tests["tested_at"].min() - log["logged_at"].min() > pd.Timedelta(hours=48)


# The stories


def test_a_slow_thinning_has_not_breached_and_will_within_three_months(bags: pd.DataFrame) -> None:
    lots = _lots(bags, "BF-110")
    slope, error = _slope_a_week(_between(_without_gain(lots), scenario.THINNING[0][0], "2027-01-01"))
    before = _between(lots, scenario.FIRST_WEEK, scenario.THINNING[0][0])["log"]
    last = lots["log"].tail(6).mean()

    assert abs(slope - _slope_of(scenario.THINNING)) < 4 * error
    assert abs(before.mean() - np.log(9.5)) < 4 * stats.sem(before)
    assert lots["log"].max() < np.log(20)
    assert 4 < (np.log(20) - last) / slope < 16


def test_a_step_follows_the_new_laminator(bags: pd.DataFrame) -> None:
    lots = _without_gain(_lots(bags, "QM-31"))
    step, error = _ratio(
        _between(lots, "2026-02-16", "2027-01-01")["log"], _between(lots, "2025-06-01", "2026-02-16")["log"]
    )

    assert abs(step - np.log(1.25)) < 4 * error


def test_three_bad_bags_hide_behind_a_mean_that_passes(bags: pd.DataFrame) -> None:
    lot = bags[bags["lot"] == "BF07191"].set_index("specimen")["log"]

    assert sorted(lot.index[lot > np.log(20)]) == [2, 3, 5]
    assert lot.drop([2, 3, 5]).between(np.log(8), np.log(14)).all()
    assert lot.mean() < np.log(20)
    assert lot.std() > 3 * bags[(bags["product"] == "BF-210")].groupby("lot")["log"].std().median()


def test_the_inside_of_the_pink_film_ages_and_its_outside_does_not(ohms: pd.DataFrame) -> None:
    inside, outside = (_lots(ohms, "TW-Rose", face) for face in (scenario.INSIDE, scenario.OUTSIDE))
    slope, error = _slope_a_week(_between(inside, "2025-11-17", "2027-01-01"))
    still, still_error = _slope_a_week(outside)
    rolls = ohms[(ohms["product"] == "TW-Rose") & (ohms["day"] >= "2025-12-01")]["made_on"]

    assert abs(slope - _slope_of(scenario.AGEING)) < 4 * error
    assert abs(still) < 4 * still_error
    assert 0.8 < slope * 52 / np.log(10) < 1.2
    assert inside["log"].max() < np.log(1e11)
    assert set(rolls) == {"2025-10-13"}


def _with_humidity(rows: pd.DataFrame, log: pd.DataFrame) -> pd.DataFrame:
    """Each row with the mean humidity of its chamber in the 48 hours before it."""
    entries = log.sort_values("logged_at").set_index("logged_at")
    soaked = entries.groupby("chamber")["humidity_percent"].rolling("48h").mean().reset_index().sort_values("logged_at")
    tested = rows.sort_values("tested_at")
    return pd.merge_asof(tested, soaked, left_on="tested_at", right_on="logged_at", by="chamber")


def test_moister_air_lowers_the_resistance_of_films_but_not_the_resistor(ohms: pd.DataFrame, log: pd.DataFrame) -> None:
    still = ~ohms["product"].isin(["TW-Rose", "TW-Clear"])
    stream = ["product", "characteristic"]
    lots = (
        ohms[still].groupby([*stream, "chamber", "lot", "day"], as_index=False).agg({"log": "mean", "tested_at": "min"})
    )
    lots["off"] = lots["log"] - lots.groupby(stream)["log"].transform("mean")
    lots = _with_humidity(lots, log)
    film, resistor = lots[lots["product"] != "resistor 1E9"], lots[lots["product"] == "resistor 1E9"]
    line = stats.linregress(film["humidity_percent"], film["off"])

    assert abs(line.slope + 0.05 * np.log(10)) < 4 * line.stderr
    assert line.slope + 4 * line.stderr < 0
    assert resistor["off"].abs().max() < 0.01


def test_one_chamber_drifts_inside_its_tolerance(log: pd.DataFrame) -> None:
    chambers = log[log["logged_at"].between("2026-06-08", "2026-06-29")].groupby("chamber")["humidity_percent"]

    assert chambers.mean()["north"] - chambers.mean()["south"] > 1.5
    assert chambers.max()["north"] < 15


def test_the_tester_gain_moves_the_coupons_and_everybody_for_three_weeks(bags: pd.DataFrame) -> None:
    broken, repaired, gain = scenario.TESTER_GAIN
    coupons = _lots(bags, "coupon C")
    during = _between(coupons, broken, repaired)["log"]
    moved, error = _ratio(during, _without_gain(coupons)["log"])
    steady = [_lots(bags, name) for name in ("BF-210", "QM-31", "UM-7", "UM-9")]
    near = [_between(lots, broken - 12 * WEEK, repaired + 8 * WEEK) for lots in steady]
    others = [_between(lots, broken, repaired)["log"].mean() - _without_gain(lots)["log"].mean() for lots in near]

    assert len(during) == 3
    assert abs(moved - np.log(gain)) < 4 * error
    assert min(others) > 0


def test_the_noisy_supplier_is_wide_and_goes_nowhere(bags: pd.DataFrame) -> None:
    lots = _without_gain(_lots(bags, "UM-7"))
    slope, error = _slope_a_week(lots)

    assert abs(slope) < 4 * error
    assert lots["log"].std() > 1.5 * _lots(bags, "UM-9")["log"].iloc[:25].std()
    assert _lots(bags, "UM-7")["log"].max() < np.log(20)


def test_a_new_supplier_has_eight_lots(bags: pd.DataFrame) -> None:
    lots = _lots(bags, "OV-1")

    assert len(lots) == 8
    assert lots["day"].min() == pd.Timestamp("2026-10-01")


def test_one_lot_is_partly_over_range(ohms: pd.DataFrame) -> None:
    over = ohms[ohms["over"]]
    lot = ohms[(ohms["lot"] == "TW00076") & (ohms["characteristic"] == scenario.OUTSIDE)]

    assert set(over["lot"]) == {"TW00076"}
    assert set(over["value"]) == {">1E+12"}
    assert 0 < len(over) < len(lot) == 6
    assert lot["log"].min() > np.log(1e11)


def test_a_breach_is_tested_again_with_fresh_bags(bags: pd.DataFrame) -> None:
    lot = bags[bags["lot"] == "UM08224"]
    first, second = lot.groupby("day")["log"].mean()

    assert first > np.log(20) > second
    assert lot.groupby("day")["specimen"].apply(list).tolist() == [[1, 2, 3, 4, 5, 6], [7, 8, 9, 10, 11, 12]]


def test_one_product_fell_silent(bags: pd.DataFrame) -> None:
    assert bags[bags["product"] == "BF-330"]["day"].max() == pd.Timestamp("2026-05-29")
    assert bags.groupby("product")["day"].max().drop("BF-330").min() >= pd.Timestamp("2026-11-12")


def test_the_barrier_improves(evening: pd.DataFrame) -> None:
    energy = evening[(evening["Property"] == scenario.ENERGY) & (evening["Batch"] != "QM01398")]
    day = pd.to_datetime(energy["Time"].str[:10], format="%d.%m.%Y")
    level = np.log(energy["Result"].str.replace(",", ".").astype(float) * 1000)
    lots = pd.DataFrame({"day": day, "log": level}).groupby("day")["log"].mean().reset_index()
    slope, error = _slope_a_week(_between(_without_gain(lots), "2026-05-04", "2027-01-01"))

    assert abs(slope - _slope_of(scenario.THICKER_METAL)) < 4 * error
    assert slope + 4 * error < 0


def test_the_messy_export_slips_by_a_thousand_and_is_corrected(evening: pd.DataFrame) -> None:
    lot = evening[(evening["Batch"] == "QM01398") & (evening["Property"] == scenario.ENERGY)]
    value = lot["Result"].str.replace(",", ".").astype(float)
    slipped = lot["Remark"].isna()
    identity = ["Time", "Sample", "Shot"]

    assert set(lot["Units"]) == {"uJ"}
    assert slipped.sum() == (~slipped).sum() == 36
    assert lot[slipped][identity].to_numpy().tolist() == lot[~slipped][identity].to_numpy().tolist()
    # Written with two decimals of a nanojoule before, with five of a microjoule after.
    np.testing.assert_allclose(value[slipped].to_numpy() / 1000, value[~slipped].to_numpy(), rtol=0, atol=1e-5)


def test_only_the_told_rows_are_refused(lab: Path) -> None:
    declared, reasons = load(lab), []
    for found in find_drops(declared, NOW, []):
        parsed = parse_file.read_file(found.path, found.source, declared, NOW)
        assert isinstance(parsed, parse_file.Parsed)
        reasons += [refusal.reason.split(":")[0] for refusal in parsed.refusals]

    assert sorted(reasons) == ["tested_at", *["unit"] * 6, "value", "value"]


# The copy


@pytest.mark.parametrize(
    "until",
    [
        sample_feeds.LAST_TEST,
        sample_feeds.LAST_TEST - timedelta(seconds=1),
        sample_feeds.LAST_TEST + WEEK,
        datetime(2028, 2, 29, 23, 59, tzinfo=UTC),
        datetime(2024, 1, 1, tzinfo=UTC),
    ],
)
def test_a_copy_moves_by_whole_weeks_to_the_week_before(tmp_path: Path, until: datetime) -> None:
    sample_feeds.copy_to(tmp_path, until)

    def stamps(pattern: str, encoding: str, stamp: str, form: str) -> list[datetime]:
        text = "".join(path.read_text(encoding=encoding) for path in tmp_path.glob(f"drops/tests/{pattern}"))
        return sorted({datetime.strptime(found, form).replace(tzinfo=UTC) for found in re.findall(stamp, text)})

    plain = stamps("[er]*-*.csv", "cp1252", r"\d{4}-\d\d-\d\dT\d\d:\d\d", "%Y-%m-%dT%H:%M")
    evening = stamps("evening*.csv", "cp1252", r"\d\d\.\d\d\.\d{4} \d\d:\d\d", "%d.%m.%Y %H:%M")
    shift = plain[-1] - sample_feeds.LAST_TEST

    assert until - WEEK < plain[-1] <= until
    assert max(path.stat().st_mtime for path in tmp_path.glob("drops/*/*.csv")) <= until.timestamp()
    assert shift % WEEK == timedelta(0)
    assert plain[0] == datetime(2025, 6, 5, 8, 5, tzinfo=UTC) + shift
    assert evening[-1] == datetime(2026, 11, 20, 9, 39, tzinfo=UTC) + shift


def test_the_last_test_is_the_one_that_the_shift_counts_from(
    bags: pd.DataFrame, ohms: pd.DataFrame, evening: pd.DataFrame
) -> None:
    told = pd.to_datetime(evening["Time"], format="%d.%m.%Y %H:%M", errors="coerce").max()

    assert (
        max(told, bags["tested_at"].max(), ohms["tested_at"].max()).to_pydatetime().replace(tzinfo=UTC)
        == sample_feeds.LAST_TEST
    )


# Feeds that come once, beside the five of each month.
ONCE = ("Quillmere", "aged film", "calibrations", "loads", "stock")


def test_drops_are_taken_in_the_order_of_the_calendar_and_the_log_first(lab: Path) -> None:
    found = [item.path.name for item in find_drops(load(lab), NOW, [])]
    days = [re.findall(r"\d{4}-\d\d-\d\d", name)[0] for name in found]

    assert days == sorted(days)
    monthly = [name for name in found if not name.startswith(ONCE)]
    assert (len(monthly), len(found)) == (18 * 5, 18 * 5 + len(ONCE))
    assert all(monthly[number].startswith("climate") for number in range(0, len(monthly), 5))


def test_the_story_book_of_a_copy_has_the_dates_of_the_copy(lab: Path) -> None:
    shift = (NOW - sample_feeds.LAST_TEST) // WEEK * WEEK
    told = (lab / sample_feeds.MARK).read_text(encoding="utf-8")

    assert f"No lot since {date(2026, 5, 29) + shift}".lower() in told.lower()
    assert "2026-05-29" not in told


def test_a_copy_can_be_made_from_a_package_in_an_archive(tmp_path: Path) -> None:
    bundle = tmp_path / "bundle"
    shutil.copytree(HOME, bundle / "sample_feeds", ignore=shutil.ignore_patterns("__pycache__"))
    archive = shutil.make_archive(str(tmp_path / "package"), "zip", bundle)
    call = (
        "import sample_feeds; from datetime import datetime, UTC; from pathlib import Path; "
        "sample_feeds.copy_to(Path('lab'), datetime(2027, 3, 3, tzinfo=UTC)); print(sample_feeds.__file__)"
    )
    done = subprocess.run(
        [sys.executable, "-c", call],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": archive},
        capture_output=True,
        text=True,
    )

    assert done.returncode == 0, done.stderr
    assert "package.zip" in done.stdout
    assert len(list((tmp_path / "lab" / "drops").glob("*/*.csv"))) == 18 * 5 + len(ONCE)
