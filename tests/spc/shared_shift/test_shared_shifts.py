"""Film or bench: who is named, when, what is held under it, and that nothing looks ahead."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from numpy.testing import assert_allclose
from scipy import special

from spc.shared_shift import search
from spc.shared_shift.candidates import Candidate, _significant
from spc.shared_shift.check_standard import standard_shift
from spc.shared_shift.effect import fit
from spc.shared_shift.finding import MOST, SETTLE_WEEKS, Finding, Size, as_of, explain
from spc.shared_shift.lot_points import WINDOWS, Window, inflated, lot_points, window
from spc.shared_shift.reference_scores import reference_scores
from spc.shared_shift.search import shared_shifts
from spc.shared_shift.supplier_agreement import Agreement, agreement, level_before
from spc.stream.humidity_effect import humidity_sensitivity

START = 30.0


def lab(seed: int, weeks: int = 36, check: bool = True) -> pd.DataFrame:
    """Five suppliers with four streams each, weekly lots on one of two days, two chambers, a meter and a pulse tester, in control."""
    rng = np.random.default_rng(seed)
    rows = []
    for stream in range(20):
        kind, tester = (("energy", "pulse"), ("resistance", "meter"))[stream % 2]
        for week in range(weeks):
            chamber = "AB"[(week + stream // 2) % 2]
            when = week + rng.choice([0.1, 0.5]) + rng.uniform(0, 0.1)
            rows.append(
                (
                    stream,
                    f"supplier {stream // 4}",
                    kind,
                    chamber,
                    tester,
                    f"{chamber}{week}",
                    when,
                    rng.normal(),
                    0.1,
                    False,
                    0.2,
                )
            )
    for stream, (kind, tester) in enumerate([("energy", "pulse"), ("resistance", "meter")], start=20):
        rows += [
            (stream, "lab", kind, "AB"[w % 2], tester, "", w + 0.5, rng.normal(), 0.1, True, 0.2)
            for w in range(weeks)
            if check
        ]
    return pd.DataFrame(rows, columns=list(search.POINT_COLUMNS))


def moved(points: pd.DataFrame, size: float, **where: object) -> pd.DataFrame:
    held = points["weeks"] >= START
    for column, value in where.items():
        held &= points[column] == value
    return points.assign(z=points["z"] + size * held)


def new(points: pd.DataFrame) -> list[Finding]:
    return [found for found in shared_shifts(points) if found.completed_at >= START]


def view_of(points: pd.DataFrame) -> Window:
    """The window at the end, with nothing taken out."""
    numbered = lot_points(points)
    return window(numbered, numbered.weeks.size, np.zeros(numbered.weeks.size))


def named(found: Finding) -> tuple[str, str, str, int]:
    return found.suspect_kind, found.suspect, found.quantity, found.direction


@pytest.mark.parametrize("check", [True, False])
def test_a_tester_that_moves_is_named_with_its_evidence(check: bool):
    (found,) = new(moved(lab(1, check=check), 2.0, instrument="pulse"))
    assert named(found) == ("instrument", "pulse", "", 1)
    assert found.completed_at <= START + 3
    assert found.since_low <= found.since <= found.since_high
    assert abs(found.since - START) < 0.5
    assert (found.agreeing, found.suppliers) == (5, 5)
    # 2 sigma of a lot, which is 0.1 in the charted scale; 4 standard errors.
    assert abs(found.sigmas - 2.0) < 4 * found.sigmas_se
    assert abs(found.sizes["energy"].size - 0.2) < 4 * found.sizes["energy"].se
    assert found.chance < 1e-3
    assert set(found.explained) <= {*range(0, 20, 2), 20}
    assert found.alternatives == ("quantity energy",)


def test_a_chamber_that_moves_resistance_only_is_named_so():
    found = new(moved(lab(2), -2.5, chamber="A", quantity="resistance"))
    assert named(found[0]) == ("chamber and quantity", "A", "resistance", -1)


def test_a_check_standard_that_moves_is_decisive_beside_one_supplier():
    points = lab(3)
    alone = points[(points["is_check_standard"]) | (points["supplier"] == "supplier 0")]
    # A gain of 0.08 in the charted scale: 4 sigma of the check standard and 0.8 of the film.
    alone = alone.assign(sigma=np.where(alone["is_check_standard"], 0.02, 0.1))
    gain = moved(moved(alone, 0.8, instrument="meter"), 3.2, is_check_standard=True, instrument="meter")
    found = new(gain)[0]
    assert named(found) == ("instrument", "meter", "", 1)
    assert found.completed_at < START + 4
    assert found.check_score > 3


@pytest.mark.parametrize(("share_of_film", "count"), [(0.04, 0), (0.8, 1)])
def test_a_shift_that_only_a_fine_check_standard_sees_is_no_finding(share_of_film: float, count: int) -> None:
    """The resistor of the lab moves by four of its own standard deviations; the films scatter 20 or 5 times as much as that shift."""
    points = lab(3)
    sigma = 0.1 * share_of_film / 4.0
    points = points.assign(sigma=np.where(points["is_check_standard"], sigma, 0.1))
    gain = moved(
        moved(points, share_of_film, instrument="meter", is_check_standard=False),
        4.0,
        is_check_standard=True,
        instrument="meter",
    )
    assert len([one for one in new(gain) if one.suspect == "meter"]) == count


def test_one_misread_check_standard_convicts_nobody():
    points = lab(10)
    misread = points["is_check_standard"] & (points["weeks"] == START + 0.5) & (points["instrument"] == "meter")
    assert not new(points.assign(z=points["z"].mask(misread, 8.0)))


def test_a_steady_check_standard_acquits_its_instrument():
    # Every film of the tester moved by as much, and its check standard by nothing: 2 sigma of film are 8 of the standard.
    points = lab(14)
    films = ~points["is_check_standard"]
    all_moved = moved(points, 2.0, instrument="pulse")
    steady = all_moved.assign(z=points["z"].where(~films, all_moved["z"]), sigma=np.where(films, 0.1, 0.025))
    assert ("instrument", "pulse") not in {(one.suspect_kind, one.suspect) for one in new(steady)}
    # Without its witness the same lots convict it.
    assert ("instrument", "pulse") in {(one.suspect_kind, one.suspect) for one in new(steady[films])}


def chance_finding(weeks: int = 44) -> pd.DataFrame:
    """Lots of two weeks in chamber A that happen to lie high; those of half a year after them do not."""
    points = lab(2, weeks, check=False)
    high = (points["chamber"] == "A") & (points["weeks"] >= 16) & (points["weeks"] < 17.7)
    return points.assign(z=points["z"] + 1.8 * high)


@pytest.mark.parametrize("seed", range(6))
def test_of_two_testers_read_with_one_check_standard_the_one_that_moved_is_named(seed: int) -> None:
    """Even where films of the other tester happen to move with it on the first day."""
    rng = np.random.default_rng(seed)
    rows: list[tuple[object, ...]] = []
    for stream in range(10):
        for week in range(36):
            tester = "T1" if rng.random() < 0.5 else "T2"
            moved = 1.5 * (week >= START and (tester == "T2" or week == START))
            chamber = "AB"[(week + stream) % 2]
            z = rng.normal() + moved
            rows.append(
                (stream, f"supplier {stream // 2}", "energy", chamber, tester, "", week + 0.1, z, 0.1, False, 0.0)
            )
    for week in range(36):
        for tester in ("T1", "T2"):
            z = rng.normal() + 10.0 * (tester == "T2" and week >= START)
            rows.append((10, "lab", "energy", "A", tester, "", week + 0.05, z, 0.015, True, 0.0))
    findings = shared_shifts(pd.DataFrame(rows, columns=list(search.POINT_COLUMNS)))
    named = [(one.suspect_kind, one.suspect, one.direction) for one in findings if one.completed_at >= START]
    assert named == [("instrument", "T2", 1)]


def test_a_finding_that_later_lots_do_not_show_is_withdrawn():
    points = chance_finding()
    (early,) = shared_shifts(points[points["weeks"] < 20])
    assert named(early) == ("chamber", "A", "", 1)
    assert np.isinf(early.until)
    # The other chamber is not found in its turn, as the lower of two.
    (found,) = shared_shifts(points)
    assert found.withdrawn
    assert found.completed_at < found.until <= found.until_high < 20
    assert found.returned_at > found.completed_at + SETTLE_WEEKS
    # What it adds to later lots is nothing.
    later = explain(points[points["weeks"] > 21], [found])
    assert not later[["common", "most"]].any(axis=None)


def test_a_round_withdraws_what_all_days_together_withdraw():
    points = chance_finding()
    whole = shared_shifts(points)
    for week in (20.0, 24.0):
        early = shared_shifts(points[points["weeks"] < week])
        known, after = as_of(early, week)
        # As text: nan stands for what no check standard shows.
        assert repr(shared_shifts(points, known=known, after=after)) == repr(whole)
    # A correction of an early lot looks at the finding again as it was before it was withdrawn.
    known, _ = as_of(whole, 21.2)
    assert all(not one.withdrawn and np.isinf(one.until) for one in known)


@pytest.mark.parametrize(("where", "check"), [({"chamber": "A"}, False), ({"instrument": "pulse"}, True)])
def test_a_shift_that_lasts_is_one_finding_and_not_withdrawn(where: dict[str, str], check: bool):
    (found,) = new(moved(lab(1, 60, check=check), 1.5, **where))
    assert not found.withdrawn
    assert np.isinf(found.until)


def test_a_check_standard_that_stays_in_place_withdraws_a_finding_about_its_instrument():
    points = moved(lab(1, 60), 1.5, instrument="pulse")
    (found,) = new(points)
    # From four weeks after it was found the check standard is in place, and films of one more cause are still away.
    steady = points["is_check_standard"] & (points["weeks"] > found.completed_at) & (points["instrument"] == "pulse")
    numbered = lot_points(points.assign(z=points["z"].mask(steady, lab(1, 60)["z"])))
    day = search._Day(numbered, numbered.weeks.size, 1.0)
    assert day._tested_again([found], 0).withdrawn


def test_a_quantity_whose_interval_holds_0_is_not_among_the_sizes():
    view = view_of(moved(lab(2, check=False), 2.5, chamber="A", quantity="resistance"))
    on = view.made_on("chamber", ("A",)) & (view.weeks >= START)
    shown = search._shown(view, on, fit(view, on, ~on))
    assert list(shown["sizes"]) == ["resistance"]
    assert set(shown["explained"]) <= set(range(1, 20, 2))


def test_a_quantity_whose_suppliers_all_moved_apart_has_no_size_and_moves_nothing():
    points = moved(lab(1, check=False), 2.0, instrument="pulse")
    (found,) = new(points)
    unknown = replace(found, sizes={"energy": Size(*[np.nan] * 6)}, since=START - 3)
    numbered = lot_points(points)
    whole = slice(0, numbered.weeks.size)
    assert_allclose(search._removed(numbered, whole, [unknown]), 0.0, atol=0)
    assert search._removed(numbered, whole, [found]).any()


def test_tails_of_lots_are_no_shift():
    # One lot of each of five suppliers far out on one tester, within a week: wild lots, not a level.
    points = lab(15)
    odd = (points["stream"] % 4 == 0) & (points["stream"] < 20) & points["weeks"].between(31.0, 31.9)
    wild = points.assign(z=points["z"] + 25.0 * odd)
    held = points.assign(z=points["z"] + 3.0 * odd)
    assert len(new(wild)) <= len(new(held))


def test_one_supplier_that_moves_is_no_matter_of_the_bench():
    # Six weeks of three labs are a third of a year: with a budget of one a year a single finding may be chance.
    points = [moved(lab(seed), 3.0, supplier="supplier 2") for seed in (11, 12, 13)]
    assert sum(len(new(one)) for one in points) <= 1


def test_a_supplier_that_moved_everywhere_by_itself_is_not_heard() -> None:
    points = moved(lab(11), 3.0, supplier="supplier 2", quantity="energy")
    without = points[(points["supplier"] != "supplier 2") | (points["quantity"] != "energy")]
    scores = []
    for table in (points, without):
        view = view_of(table)
        scores.append({label: one.score[k] for kind, one in zip(view.points.kinds, agreement(view), strict=True)
                       if one is not None for k, label in enumerate(kind.labels[one.first_source :])})  # fmt: skip

    # Its resistance and its check standards' are: nothing moved there.
    assert scores[0].keys() == scores[1].keys()
    for label, score in scores[0].items():
        assert_allclose(score, scores[1][label], rtol=0, atol=1e-12)


@pytest.mark.parametrize("size", [3.0, 6.0, 12.0])
def test_however_far_one_supplier_moved_the_others_are_heard(size: float) -> None:
    points = moved(lab(11), size, supplier="supplier 2", quantity="energy")
    assert heard_by_quantity(points) == {"energy": 4, "resistance": 5}


def test_of_two_suppliers_it_cannot_be_told_which_moved() -> None:
    points = moved(lab(11), 8.0, supplier="supplier 1", quantity="energy")
    assert heard_by_quantity(points[points["supplier"].isin(["supplier 0", "supplier 1"])]) == {
        "energy": 2,
        "resistance": 2,
    }


def heard_by_quantity(points: pd.DataFrame) -> dict[str, int]:
    """How many suppliers give a score on each quantity at the end."""
    view, table = by_quantity(points)
    place = [kind.name for kind in view.points.kinds].index("quantity")
    names = [label[0] for label in view.points.kinds[place].labels]
    return dict(zip(names, table.suppliers.max(axis=1).astype(int).tolist(), strict=True))


def by_quantity(points: pd.DataFrame) -> tuple[Window, Agreement]:
    view = view_of(points)
    table = agreement(view)[[kind.name for kind in view.points.kinds].index("quantity")]
    assert table is not None
    return view, table


def test_streams_that_moved_long_ago_and_stand_still_do_not_move() -> None:
    points = lab(11, check=False)
    _, table = by_quantity(points.assign(z=3.0))
    assert_allclose(table.size, 0.0, rtol=0, atol=1e-12)


def test_the_start_of_a_stream_counts_only_where_it_has_no_lots_before() -> None:
    lots, total = np.array([[0.0], [4.0]]), np.array([[0.0], [12.0]])
    level, variance = level_before(lots, total, np.zeros((2, 1)), np.array([[0.0], [0.1]]))
    # The mean of independent lots has a quarter of a lot's variance; the line's error comes on top.
    assert_allclose(level, [[0.0], [3.0]], rtol=0, atol=0)
    assert_allclose(variance, [[1.0], [0.35]], rtol=1e-15)


@pytest.mark.parametrize("slope", [0.08, 0.15])
def test_streams_that_go_on_along_their_own_line_do_not_move_together(slope: float) -> None:
    points = lab(11, check=False)
    ramp = points.assign(z=slope * np.maximum(points["weeks"] - 5.0, 0.0))
    _, table = by_quantity(ramp)
    # Weeks of the longest span lie half a lookback from those before. The prior of the slope (0.1 a week) draws the line of 20
    # weekly lots in by 1 / (1 + 0.01 * 665), the sum of squares of 20 equally spaced weeks being 20 * 399 / 12.
    assert np.abs(table.size).max() < slope * 6.5 * 0.2
    steady = by_quantity(points)[1]
    # The error of the line lowers the weight.
    assert (table.precision[:, -1] < steady.precision[:, -1]).all()
    assert (table.precision[:, -1] > 0.6 * steady.precision[:, -1]).all()


def test_a_step_beyond_its_own_line_is_seen_in_full() -> None:
    points = lab(11, check=False)
    ramp = 0.1 * np.maximum(points["weeks"] - 5.0, 0.0)
    before, after = (by_quantity(points.assign(z=ramp + step * (points["weeks"] >= 34.0)))[1] for step in (0.0, 1.0))
    span = list(WINDOWS).index(2.0)
    # The line is that of lots before the longest span, so it does not follow the step.
    assert_allclose((after.size - before.size)[:, span], 1.0, rtol=0, atol=0.1)


@pytest.mark.parametrize(
    ("streams", "more_up", "expected"), [(20, 8, False), (20, 10, True), (20, -20, False), (19, 0, True)]
)
def test_three_in_four_streams_must_have_moved_along(streams: int, more_up: int, expected: bool) -> None:
    def one(value: float) -> np.ndarray:
        return np.array([[value]])

    # Five suppliers agree far beyond chance. Fifteen of twenty streams up are ten more up than down.
    table = Agreement(
        score=one(6.0), others=one(6.0), size=one(1.0), precision=one(36.0), suppliers=one(5.0), balance=one(5.0),
        streams=one(streams), stream_balance=one(more_up), check=one(np.nan), first_source=0,
    )  # fmt: skip
    assert bool(_significant(table, 1.0).item()) == expected


def test_suppliers_that_moved_together_are_all_heard() -> None:
    assert heard_by_quantity(moved(lab(11), 3.0, quantity="energy")) == {"energy": 5, "resistance": 5}


def test_a_supplier_that_moves_while_the_bench_moves_is_left_standing():
    points = moved(moved(lab(5), 1.5, instrument="pulse"), 3.0, supplier="supplier 3", instrument="pulse")
    findings = new(points)
    assert findings[0].apart == ("supplier 3",)
    own = (points["supplier"] == "supplier 3") & (points["weeks"] >= START + 0.5) & (points["instrument"] == "pulse")
    # What is left is the supplier's own 3 sigma of 0.1; its lots' error and that of the common size, 4 standard errors.
    left = (0.1 * points["z"] - explain(points, findings)["common"])[own].mean()
    assert abs(left - 0.3) < 4 * np.hypot(0.1 / np.sqrt(own.sum()), findings[0].sizes["energy"].se)


def test_what_is_repaired_ends_the_finding():
    points = lab(6, weeks=48)
    away = (points["instrument"] == "pulse") & points["weeks"].between(START, START + 6)
    points["z"] += 3.0 * away
    found = next(one for one in new(points) if one.suspect == "pulse")
    assert abs(found.until - (START + 6)) < 0.5
    assert found.returned_at < START + 9
    told = explain(points, [found])
    assert (told.loc[points["weeks"] > START + 7, "finding"] == -1).all()
    assert (told.loc[away & (points["weeks"] > START + 0.5), "finding"] == 0).all()


def test_a_supplier_that_came_only_after_the_return_did_not_move_along() -> None:
    points = lab(6, weeks=48)
    away = (points["instrument"] == "pulse") & points["weeks"].between(START, START + 2.5)
    points["z"] += 4.0 * away
    # Its first lots after the start are of the week of the return, before the end is known.
    points = points[~(away & (points["supplier"] == "supplier 4"))]
    found = next(one for one in new(points) if one.suspect == "pulse")
    absent = set(points.loc[(points["supplier"] == "supplier 4") & (points["instrument"] == "pulse"), "stream"])
    assert np.isfinite(found.until)
    assert (found.agreeing, found.suppliers) == (4, 4)
    assert not absent & set(found.explained)


def test_nothing_ends_before_it_began() -> None:
    points = moved(lab(5), 2.0, instrument="pulse")
    (found,) = new(points)
    view = view_of(points)
    back = candidate(view, ("instrument", "pulse"), found.since, -1)

    # The other way, but from the same lot on, or from one before: a quarrel about the start, and no way back.
    assert search._taken_back(view, back, [found]) is None
    assert search._taken_back(view, replace(back, since=found.since + 1.0), [found]) is found


def test_lots_from_the_earliest_start_left_open_are_explained() -> None:
    points = moved(lab(5), 2.0, instrument="pulse")
    (found,) = new(points)
    late = replace(found, since_low=START, since=START + 2.0, since_high=START + 2.5)
    told = explain(points, [late])
    on = points["instrument"] == "pulse"

    between = on & points["weeks"].between(late.since_low, late.since, inclusive="left")
    assert between.sum() > 10
    assert (told.loc[between, "finding"] == 0).all()
    assert_allclose(
        told.loc[between & ~points["is_check_standard"], "common"], late.sizes["energy"].size, rtol=0, atol=0
    )
    assert (told.loc[points["weeks"] < late.since_low, "finding"] == -1).all()


def test_a_supplier_that_moved_apart_is_looked_at_again_once_the_source_is_back() -> None:
    points = lab(5)
    (found,) = new(moved(points, 2.0, instrument="pulse"))
    own = (
        (points["supplier"] == "supplier 3") & (points["instrument"] == "pulse") & (points["weeks"] > found.since_high)
    )
    lasting = replace(found, apart=("supplier 3",))
    over = replace(lasting, until=START + 4.0, until_high=START + 4.0)
    assert (explain(points, [lasting]).loc[own, "finding"] == -1).all()
    told = explain(points, [over])["finding"]
    assert (told[own & (points["weeks"] < over.until)] == 0).all()
    assert (told[own & (points["weeks"] >= over.until)] == -1).all()


def test_the_most_that_findings_explain_is_as_unsure_as_their_sizes() -> None:
    points = moved(lab(5), 2.0, instrument="pulse")
    (found,) = new(points)
    told = explain(points, [replace(found, rivals=()), replace(found, rivals=())])
    on = (points["instrument"] == "pulse") & (points["weeks"] >= found.since) & ~points["is_check_standard"]
    size = found.sizes["energy"]

    # Two findings of one size add up, their errors by squares.
    assert_allclose(told.loc[on, "most"], 2.0 * size.size + MOST * np.sqrt(2.0) * size.se, rtol=1e-14)
    assert (told.loc[points["instrument"] != "pulse", ["most", "common"]] == 0.0).all(axis=None)


def test_lots_until_the_latest_end_left_open_may_be_explained() -> None:
    points = moved(lab(5), 2.0, instrument="pulse")
    (found,) = new(points)
    over = replace(found, until=START + 2.0, until_high=START + 4.0, rivals=())
    told = explain(points, [over])
    on = points["instrument"] == "pulse"

    open_ones = on & points["weeks"].between(over.until, over.until_high, inclusive="left")
    assert open_ones.sum() > 10
    assert (told.loc[open_ones, "common"] == 0.0).all()
    assert (told.loc[open_ones, "most"] > found.sizes["energy"].size).all()
    assert (told.loc[open_ones, "finding"] == 0).all()
    assert (told.loc[points["weeks"] >= over.until_high, ["most", "finding"]] == [0.0, -1]).all(axis=None)


def test_lots_of_a_rival_may_be_explained_where_its_quantity_moved() -> None:
    points = moved(lab(5), 2.0, chamber="A", quantity="energy")
    found = replace(new(points)[0], since_low=START, rivals=(("instrument", "pulse"), ("chamber", "A")))
    assert named(found) == ("chamber and quantity", "A", "energy", 1)
    told, since = explain(points, [found]), points["weeks"] >= START

    rival = since & (points["chamber"] == "B") & (points["instrument"] == "pulse")
    assert (told.loc[rival, "common"] == 0.0).all()
    assert (told.loc[rival, "most"] > found.sizes["energy"].size).all()
    # Nothing is known of what resistance did.
    assert (told.loc[points["quantity"] == "resistance", "most"] == 0.0).all()


def test_suspects_that_explain_the_lots_as_well_are_rivals() -> None:
    """All energy comes from one tester: that it is called an instrument is the prior odds' doing."""
    (found,) = new(moved(lab(1, check=False), 2.0, instrument="pulse"))
    assert ("quantity", "energy") in found.rivals
    assert (found.suspect_kind, found.suspect) not in found.rivals


@pytest.fixture
def ended() -> tuple[Window, Finding]:
    """The last weeks of a lab, and a finding on its tester that was over after two weeks."""
    points = moved(lab(5), 2.0, instrument="pulse")
    (found,) = new(points)
    over = replace(found, until=START + 2.0, until_high=START + 2.0, completed_at=START + 1.0)
    return view_of(points), over


def candidate(view: Window, label: tuple[str, ...], since: float, direction: int) -> Candidate:
    kind = next(one for one in view.points.kinds if one.name == label[0])
    number = kind.labels.index(label[1:])
    return Candidate(
        kind=kind, source=number, since=since, since_low=since, since_high=since + 1.0, direction=direction, size=2.0,
        score=9.0 * direction, check=np.nan, evidence=40.0, members=kind.made_on(number, view.part),
    )  # fmt: skip


def test_what_began_after_the_end_of_a_finding_is_no_rest_of_it(ended: tuple[Window, Finding]) -> None:
    view, found = ended
    rest, fresh = (candidate(view, ("instrument", "pulse"), START + week, 1) for week in (1.0, 3.0))
    assert search._remainder(view, rest, [found])
    assert not search._remainder(view, fresh, [found])


def test_a_way_back_is_made_on_the_same_lots(ended: tuple[Window, Finding]) -> None:
    view, over = ended
    lasting = replace(over, until=np.inf, until_high=np.inf)
    # Of the lots of both a chamber has a third, the energy of a chamber half.
    chamber = candidate(view, ("chamber", "A"), START + 2.0, -1)
    energy = candidate(view, ("chamber and quantity", "A", "energy"), START + 2.0, -1)
    assert search._taken_back(view, chamber, [lasting]) is None
    assert search._taken_back(view, energy, [lasting]) is lasting


@pytest.mark.parametrize("mended", [True, False])
def test_a_check_standard_shows_the_way_back_that_drifting_films_hide(mended: bool) -> None:
    points = moved(lab(5), 2.0, instrument="pulse")
    (found,) = new(points)
    back = points["is_check_standard"] & (points["weeks"] >= START + 3.0) & (points["instrument"] == "pulse")
    numbered = lot_points(points.assign(z=points["z"] - 2.0 * (back & mended)))
    view = search._Day(numbered, numbered.weeks.size, 1.0).without([found])
    # The films stay high: the mean of their lots shows no way back.
    hidden = replace(candidate(view, ("instrument", "pulse"), START + 3.0, -1), size=0.1, check=-4.0)
    assert search._taken_back(view, hidden, [found]) is (found if mended else None)
    assert search._remainder(view, hidden, [found]) is not mended


def test_lots_that_may_be_before_or_after_the_return_tell_nothing_of_the_size(
    ended: tuple[Window, Finding],
) -> None:
    view, found = ended
    lasting = replace(found, until=np.inf, until_high=np.inf)
    back = candidate(view, ("instrument", "pulse"), START + 2.0, -1)

    def over(higher: np.ndarray) -> Finding:
        """The finding after its return, of a lab where some lots read higher."""
        points = replace(view.points, z=view.points.z + 5.0 * higher)
        return search._Day(points, points.weeks.size, 1.0)._ended([lasting], lasting, back)

    weeks = view.points.weeks
    plain = over(weeks < 0.0)
    assert (plain.until, plain.until_high) == (back.since, back.since_high)
    assert over((weeks >= back.since) & (weeks < back.since_high)).sizes == plain.sizes
    # Lots after it do tell.
    assert over(weeks >= back.since_high).sizes != plain.sizes


@pytest.mark.parametrize("day", [31.0, 33.0])
def test_nothing_looks_ahead(day: float):
    points = moved(lab(7), 1.5, chamber="B")
    cut = points[points["weeks"] < day]
    # What was found by then is there in the whole history too, of the same day and name.
    then = [(one.completed_at, one.first_named) for one in shared_shifts(cut)]
    assert then == [(one.completed_at, one.first_named) for one in shared_shifts(points) if one.completed_at < day]


@pytest.mark.parametrize("first", [28.0, 30.3, 31.5, 34.2])
def test_many_rounds_find_what_one_round_finds(first: float):
    points = moved(lab(7, weeks=40), 1.5, chamber="B")
    earlier = shared_shifts(points[points["weeks"] < first])
    known, after = as_of(earlier, float(points.loc[points["weeks"] >= first, "weeks"].min()))
    late = points[points["weeks"] >= after - 60.0]
    assert shared_shifts(late, known=known, after=after) == shared_shifts(points)


def test_order_of_rows_does_not_matter():
    points = moved(lab(8), 2.0, chamber="B")
    assert shared_shifts(points) == shared_shifts(points.sample(frac=1.0, random_state=1))


def test_chance_findings_keep_to_the_budget():
    years = 6 * 36 / 52.1775
    number = sum(len(shared_shifts(lab(100 + seed))) for seed in range(6))
    # Budget 1 a year; Poisson with that mean, 4 standard errors (chance of a false failure some 1e-3 with its skew).
    assert number <= years + 4 * np.sqrt(years)


def test_nothing_to_compare_finds_nothing():
    assert shared_shifts(lab(1).iloc[:0]) == []
    assert shared_shifts(lab(1).iloc[:1]) == []
    unknown = moved(lab(1), 3.0, instrument="pulse").assign(load=None, chamber="", instrument=None)
    assert {one.suspect_kind for one in new(unknown)} == {"quantity"}


def test_wrong_input_says_what_is_wrong():
    with pytest.raises(ValueError, match="the columns load are missing"):
        shared_shifts(lab(1).drop(columns="load"))
    with pytest.raises(ValueError, match="weeks must be finite"):
        shared_shifts(lab(1).assign(weeks=np.inf))
    with pytest.raises(ValueError, match="alike must be a correlation from 0 to below 1"):
        shared_shifts(lab(1).assign(alike=1.0))
    with pytest.raises(ValueError, match="false_findings_per_year must be above 0"):
        shared_shifts(lab(1), false_findings_per_year=0)


@pytest.mark.parametrize("alike", [0.0, 0.2, 0.6])
def test_the_mean_of_dependent_lots_has_the_variance_of_their_covariances_added_up(alike: float):
    for lots in (1, 2, 7, 40):
        apart = np.abs(np.subtract.outer(np.arange(lots), np.arange(lots)))
        # Forty by forty terms near 1: rounding.
        assert_allclose(inflated(np.array([lots]), np.array([alike])), (alike**apart).sum() / lots, rtol=1e-13)


def test_lots_that_are_alike_need_more_to_speak_against_the_bench():
    points = moved(lab(1, check=False), 1.2, instrument="pulse")

    independent, dependent = (new(points.assign(alike=alike))[0] for alike in (0.0, 0.5))
    assert abs(independent.score) > 1.2 * abs(dependent.score)
    assert independent.sigmas_se < dependent.sigmas_se


def test_humidity_slope_is_the_fixed_effect_regression_of_another_library():
    rng = np.random.default_rng(9)
    table = pd.DataFrame({"stream": np.repeat(np.arange(6), 8), "humidity": rng.normal(12.0, 0.8, 48)})
    table["level"] = 20.0 + table["stream"] - 0.15 * table["humidity"] + 0.1 * rng.standard_normal(48)
    found = humidity_sensitivity(table["level"], table["humidity"], table["stream"])
    fit = smf.ols("level ~ humidity + C(stream)", table).fit()
    low, high = fit.conf_int().loc["humidity"]
    # Two least squares routes of 48 rows, levels near 20 with scatter 0.1.
    assert_allclose(
        [found.slope, found.se, found.lower, found.upper],
        [fit.params["humidity"], fit.bse["humidity"], low, high],
        rtol=1e-9,
    )
    assert found.degrees_of_freedom == fit.df_resid


def test_humidity_that_did_not_vary_says_nothing():
    assert humidity_sensitivity([1, 2, 3, 4, 5], [12] * 5, [1] * 5) is None
    assert humidity_sensitivity([], [], []) is None
    with pytest.raises(ValueError, match="must have one shape"):
        humidity_sensitivity([1, 2], [1, 2], [1])
    with pytest.raises(ValueError, match="confidence must be in"):
        humidity_sensitivity([1, 2], [1, 2], [1, 1], confidence=1.5)


def test_own_scores_are_those_of_a_plain_loop():
    level = np.random.default_rng(3).normal(2.0, 0.1, 60)
    found = reference_scores(level)
    scale = {}
    for lot in range(8, 60):
        start = max(start for start in (8, 12, 25, 50) if start <= lot)
        before = level[max(0, start - 50) : start]
        away = before - np.median(before)
        reach = 3 / special.ndtri(0.75) * np.median(np.abs(away))
        scale[lot] = np.sqrt(np.sum(np.clip(away, -reach, reach) ** 2) / (before.size - 3))
    score = [(level[8] - level[:8].mean()) / scale[8]]
    for lot in range(9, 60):
        score.append(score[-1] + (level[lot] - level[lot - 1]) / scale[lot])
    # Some sixty additions of terms below 10.
    assert_allclose(found.sigma[8:], list(scale.values()), rtol=1e-12)
    assert_allclose(found.score[8:], score, rtol=0, atol=1e-12)
    assert np.isnan(found.score[:8]).all()


def test_own_scores_do_not_change_for_a_later_lot():
    level = np.random.default_rng(4).normal(0.0, 1.0, 70)
    whole, part = reference_scores(level), reference_scores(level[:30])
    assert_allclose(whole.score[:30], part.score, rtol=0, atol=0)


def test_a_shift_there_and_back_is_one_size():
    level = np.random.default_rng(5).normal(0.0, 0.1, 45)
    away = level + 0.6 * ((np.arange(45) >= 30) & (np.arange(45) < 36))
    apart = reference_scores(away, largest=50.0).score - reference_scores(level, largest=50.0).score
    assert np.ptp(apart[30:36]) < 1e-9
    assert_allclose(apart[36:], 0.0, atol=1e-9)


def weekly(level: np.ndarray) -> pd.DataFrame:
    """One stream with a lot a week, scored; the scale is set again at lots 12 and 25."""
    found = reference_scores(level)
    known = np.isfinite(found.score)
    columns = (
        0, "supplier 0", "energy", "A", "pulse", "", np.arange(float(level.size)), found.score, found.sigma, False, 0.0,
    )  # fmt: skip
    return pd.DataFrame(dict(zip(search.POINT_COLUMNS, columns, strict=True)))[known]


@pytest.mark.parametrize("size", [0.15, 0.6, 100.0])
def test_a_shift_over_the_lots_that_set_the_scale_again_leaves_nothing_behind(size: float) -> None:
    level = np.random.default_rng(12).normal(0.0, 0.05, 29)
    off = np.isin(np.arange(29), (23, 24, 25) if size < 1.0 else (24,))
    steady, away = (view_of(weekly(one)) for one in (level, level + size * off))
    # The scale of both is that of lot 22, six weeks before the end, so nothing of the shift is in it.
    apart = away.z - steady.z
    assert_allclose(apart[~off[-apart.size :]], 0.0, rtol=0, atol=1e-9)
    # One misread lot, however far off, counts for 40 of them at most, about the median of the lots before.
    assert_allclose(
        apart[off[-apart.size :]], min(size / away.sigma[0], 40.0), rtol=0, atol=1e-9 if size < 1.0 else 3.0
    )


def test_the_size_of_a_shift_does_not_depend_on_when_the_scale_was_set_again() -> None:
    """The scale grows by the shift itself at lot 25; in the charted scale the shift stays what it was."""
    rows, rng = [], np.random.default_rng(21)
    for stream in range(20):
        level = rng.normal(0.0, 0.05, 30) + 0.2 * (np.arange(30) >= 23)
        table = weekly(level)
        rows.append(table.assign(stream=stream, supplier=f"supplier {stream // 4}"))
    (found,) = [one for one in shared_shifts(pd.concat(rows)) if one.completed_at >= 22]
    size = found.sizes["energy"]
    assert abs(size.size - 0.2) < 4 * size.se


def test_own_scores_hold_a_wild_lot_and_know_no_scale_without_scatter():
    level = np.append(np.random.default_rng(6).normal(0.0, 1.0, 20), 500.0)
    assert reference_scores(level).score[-1] <= 40.0 + 4.0
    assert np.isnan(reference_scores(np.ones(20)).score).all()
    assert reference_scores([]).score.size == 0
    with pytest.raises(ValueError, match="largest must be above 0"):
        reference_scores([1.0], largest=0.0)


def test_a_standard_that_drifts_tells_its_shift():
    times, level = np.arange(20.0), np.where(np.arange(20) < 10, 1.0, 1.0 + 0.01 * (np.arange(20) - 9))
    at = np.array([9.5, 10.0, 12.0, 19.0])
    plain = [0.0] + [
        np.mean([x for t, x in zip(times, level, strict=True) if 10 <= t <= when][-5:]) - 1.0 for when in at[1:]
    ]
    assert_allclose(standard_shift(times, level, 9.5, at), plain, atol=1e-12)
    assert_allclose(standard_shift([], [], 9.5, at), 0.0)
    with pytest.raises(ValueError, match="must have one shape"):
        standard_shift([1.0, 2.0], [1.0], 0.0, at)
