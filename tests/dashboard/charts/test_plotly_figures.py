"""Figures: what is drawn for a lot as it is, and that plotly's own classes accept every figure."""

from __future__ import annotations

import math
from datetime import datetime
from itertools import pairwise
from typing import Any

import plotly.graph_objects as go
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.charts import plotly_figures
from dashboard.charts.end_labels import END_ROOM, EndLabel, add_end_labels
from dashboard.charts.plotly_axes import frame
from dashboard.charts.thinning import MOST_POINTS, thinned
from dashboard.charts.ticks import round_ticks

Document = dict[str, Any]


def point(number: int, **more: Any) -> Document:
    """One point of a stream, valid and usual unless told otherwise."""
    usual = {
        "lot": f"L{number}", "tested_at": f"2026-{number:02d}-01T09:00:00+00:00", "n": 36, "bags": 6, "shown": 10.0 + number,
        "bound": 0, "bag_spread": 0.1, "bag_spread_upper": 0.2, "reading_spread": None, "reading_spread_upper": None,
        "center": 10.0, "lower": 8.0, "upper": 13.0, "ewma": 10.5, "limit_lower": None, "limit_upper": 20.0, "chamber": "C1",
        "humidity": 12.0, "signals": [], "bench_findings": [], "state": "valid", "to_look_at": False,
    }  # fmt: skip
    return {**usual, **more}


def stream(*points: Document, **more: Any) -> Document:
    return {
        "unit": "nJ", "scale": "log", "points": list(points), "limits_history": [limits()], "forecast": None,
        "specification_limits": {"lower": [], "upper": [step(20.0)]}, **more,
    }  # fmt: skip


def limits(**more: Any) -> Document:
    """A set of control limits, learned by rule unless told otherwise."""
    usual = {"center": 10.0, "lower": 8.0, "upper": 13.0, "from_lots": 25, "from_at": "2026-01-01", "frozen_at": None}
    return {**usual, "left_out": [], "set_by": None, **more}


def step(value: float | None, start: str | None = None) -> Document:
    """A specification limit from a day on."""
    return {"value": value, "from": start}


def traces(figure: dict[str, Any], name: str) -> list[dict[str, Any]]:
    return [trace for trace in figure["data"] if trace.get("name") == name]


FAN = [
    {
        "tested_at": f"2026-{month:02d}-01T09:00:00+00:00",
        "p10": 11.0,
        "p25": 12.0,
        "p50": 13.0,
        "p75": 14.0,
        "p90": 15.0,
    }
    for month in (10, 11, 12)
]
SOON = [{**row, "tested_at": f"2026-{month:02d}-20T09:00:00+00:00"} for row, month in zip(FAN, (9, 10), strict=False)]
EVIDENCE = {"since_at": "2026-02-01", "since_low_at": "2026-01-10", "since_high_at": "2026-03-01"}


def test_each_lot_is_drawn_as_what_it_is() -> None:
    figure = plotly_figures.stream(
        stream(
            point(1),
            point(2, signals=["drift"]),
            point(3, state="humid", signals=["drift"]),
            point(4, bound=1),
            point(5, bound=-1),
            point(6, shown=None),
        )
    )

    drawn = {
        trace["marker"]["symbol"]: trace["customdata"] for trace in figure["data"] if trace.get("mode") == "markers"
    }
    assert drawn == {
        "circle": ["L1"], "square": ["L2"], "square-open": ["L3"], "triangle-up": ["L4"], "triangle-down": ["L5"],
    }  # fmt: skip


def test_control_limits_break_where_a_baseline_was_set_again() -> None:
    figure = plotly_figures.stream(stream(point(1), point(2), point(3, center=15.0, lower=12.0, upper=18.0)))

    (level,) = traces(figure, "centre line")
    assert level["y"] == [10.0, 10.0, None, 15.0]


def test_limits_that_more_lots_will_move_are_not_drawn() -> None:
    learning = limits(
        set_by={"from_at": "2026-03-01", "who": "A", "recorded_at": "2026-03-02", "reason": "x"}, settled=False
    )
    figure = plotly_figures.stream(
        stream(point(1), point(2), point(3, center=15.0), point(4, center=15.0), limits_history=[limits(), learning])
    )
    alone = plotly_figures.stream(stream(point(1), point(2), limits_history=[limits(settled=False)]))

    (level,) = traces(figure, "centre line")
    assert level["y"] == [10.0, 10.0]
    assert not traces(alone, "control limit")
    assert not traces(alone, "centre line")
    words = [one["text"] for one in alone["layout"]["annotations"]]
    assert not [one for one in words if one.startswith(("upper", "lower", "centre"))]
    band = [
        shape
        for shape in plotly_figures.bags(session(), limits(settled=False))["layout"]["shapes"]
        if "fillcolor" in shape
    ]
    assert band == []


def test_a_lot_of_weeks_in_which_the_bench_was_off_stands_hollow_over_its_level_without_it() -> None:
    finding = {
        "finding": "abc", "source": "tester 1", "size": 10.0, "size_unit": "%", "level_without": 9.0, "closed": False, "shown_by": None,
        "off_from_at": "2026-01-20T00:00:00+00:00", "off_until_at": "2026-02-10T00:00:00+00:00",
    }  # fmt: skip
    figure = plotly_figures.stream(stream(point(1), point(2, bench_findings=[finding], signals=["drift"]), point(3)))

    (hollow,) = traces(figure, "bench off")
    assert (hollow["marker"]["symbol"], hollow["customdata"]) == ("circle-open", ["L2"])
    (foot,), (end,), (weeks,) = (traces(figure, name) for name in ("foot", "without the finding", "bench weeks"))
    assert foot["y"] == [12.0, 9.0, None]
    assert (end["x"], end["y"]) == ([point(2)["tested_at"]], [9.0])
    assert {day[:10] for day in weeks["x"]} == {"2026-01-20", "2026-02-10"}
    assert weeks["fillpattern"]["shape"] == "/"
    assert not traces(plotly_figures.stream(stream(point(1))), "bench weeks")


def test_the_limit_goes_on_to_the_end_of_the_forecast() -> None:
    figure = plotly_figures.stream(stream(point(1), point(9), forecast={"fan": SOON}))

    (limit,) = traces(figure, "limit")
    assert limit["x"][-1] == SOON[-1]["tested_at"]
    assert limit["y"] == [20.0, 20.0]
    assert len(traces(figure, "forecast")) == 2


def test_a_limit_that_changed_is_a_step_on_its_day_and_ends_where_there_is_none() -> None:
    upper = [
        step(50.0),
        step(20.0, "2018-10-01"),
        step(15.0, "2026-02-10"),
        step(None, "2026-03-20"),
        step(9.0, "2027-01-01"),
    ]
    figure = plotly_figures.stream(
        stream(point(1), point(2), point(4), specification_limits={"lower": [step(4.0, "2026-02-10")], "upper": upper})
    )

    lower, high = traces(figure, "limit")
    begin, end = point(1)["tested_at"], point(4)["tested_at"]
    assert list(zip(high["x"], high["y"], strict=True)) == [
        (begin, 20.0), ("2026-02-10", 20.0), ("2026-02-10", 15.0), ("2026-03-20", 15.0), ("2026-03-20", None), (end, None),
    ]  # fmt: skip
    assert list(zip(lower["x"], lower["y"], strict=True)) == [("2026-02-10", 4.0), (end, 4.0)]
    # The present limit is named at its end, the earlier ones at their beginning; the upper one has ended.
    named = {label["text"]: label["xref"] for label in figure["layout"]["annotations"] if "limit " in label["text"]}
    assert named == {"<b>limit 4.00</b>": "x domain", "limit 20.0": "x domain", "limit 15.0": "x"}


def test_the_first_flagged_lot_of_a_run_alone_has_the_mark_and_the_reason() -> None:
    flagged = {"signals": ["beyond_three_sigma", "drift"]}
    lots = [
        point(1),
        *(point(number, **flagged) for number in (2, 3, 4)),
        *(point(number) for number in (5, 6, 7)),
        point(8, **flagged),
    ]
    figure = plotly_figures.stream(stream(*lots))

    marks = [shape for shape in figure["layout"]["shapes"] if shape.get("name") == "flag"]
    assert [(mark["xanchor"], mark["yanchor"]) for mark in marks] == [
        (point(2)["tested_at"], 12.0), (point(8)["tested_at"], 18.0),
    ]  # fmt: skip
    # A ring of curves, closed, and a bar to each side.
    assert marks[0]["path"].count("C") == 4
    assert marks[0]["path"].count("L") == 2
    reasons = [label["text"] for label in figure["layout"]["annotations"] if label.get("name") == "reason"]
    assert reasons == ["<b>L2</b> beyond three sigma, drift", "<b>L8</b> beyond three sigma, drift"]
    go.Figure(figure)


def test_the_last_values_and_the_lines_in_force_are_named_at_their_right_end() -> None:
    figure = plotly_figures.stream(stream(point(1), point(2)), level=12.4)

    named = [label for label in figure["layout"]["annotations"] if label["xref"] == "x domain" and label["x"] == 1]
    assert {label["text"] for label in named if label["yref"] == "y"} == {
        "<b>limit 20.0</b>", "upper 13.0", "centre 10.0", "lower 8.00", "<b>last lot 12.0</b>", "<b>now 12.4</b>",
    }  # fmt: skip
    # In pixels from the bottom: none lies on another.
    axis, layout = figure["layout"]["yaxis"], figure["layout"]
    height = (axis["domain"][1] - axis["domain"][0]) * (
        layout["height"] - layout["margin"]["t"] - layout["margin"]["b"]
    )
    low, high = axis["range"]
    places = sorted(
        (label["y"] - low) / (high - low) * height + label["yshift"] for label in named if label["yref"] == "y"
    )
    assert min(after - before for before, after in pairwise(places)) >= 14.9


def test_the_trend_ends_at_the_level_of_the_headline_and_no_other_line_smooths_the_lots() -> None:
    forecast = {"fan": FAN, "change_percent_per_month": 10.0}
    figure = plotly_figures.stream(stream(point(1), point(9), forecast=forecast), EVIDENCE, level=16.7)

    (trend,) = traces(figure, "trend")
    assert (trend["x"][-1], trend["y"][-1]) == (point(9)["tested_at"], 16.7)
    # 212 days are 6.965 months: 16.7 / 1.1 ** 6.965, by hand.
    assert trend["y"][0] == pytest.approx(16.7 / 1.1**6.965, rel=1e-4)
    assert not [trace for trace in figure["data"] if "smooth" in str(trace.get("name"))]
    assert traces(plotly_figures.stream(stream(point(1), point(9), forecast=forecast), level=16.7), "trend") == []


def test_the_forecast_takes_a_fifth_of_the_width_at_most() -> None:
    whole = plotly_figures.stream(stream(point(1), point(9), forecast={"fan": SOON}))
    short = plotly_figures.stream(stream(point(8), point(9), forecast={"fan": FAN}))

    assert traces(whole, "forecast, middle")[0]["x"] == [row["tested_at"] for row in SOON]
    # Beside a month of lots three months of forecast are one bar: the last row of the fan.
    (middle,) = traces(short, "forecast, middle")
    assert middle["y"] == [13.0, 13.0]
    first, last, end = (
        datetime.fromisoformat(time) for time in (point(8)["tested_at"], point(9)["tested_at"], middle["x"][-1])
    )
    assert (end - last) / (end - first) <= 0.2
    assert "to 1 Dec 2026" in [label["text"] for label in short["layout"]["annotations"]]


def test_the_baseline_is_a_bracket_under_the_axis_with_its_number_of_lots() -> None:
    learned = limits(frozen_at=point(5)["tested_at"])
    figure = plotly_figures.stream(stream(*map(point, range(1, 8)), limits_history=[learned]))

    bracket = [shape for shape in figure["layout"]["shapes"] if shape.get("name") == "baseline"]
    assert {(shape["x0"], shape["x1"]) for shape in bracket} == {
        ("2026-01-01", point(5)["tested_at"]), ("2026-01-01", "2026-01-01"), (point(5)["tested_at"],) * 2,
    }  # fmt: skip
    assert all(shape["y0"] < 0 and shape["yref"] == "y domain" for shape in bracket)
    assert "baseline, 25 lots" in [label["text"] for label in figure["layout"]["annotations"]]


def test_of_a_long_history_every_peak_is_drawn() -> None:
    lots = [point(1, lot=f"L{number}", shown=10.0 + number % 7 / 10, humidity=12.0) for number in range(10_000)]
    lots[4321] |= {"shown": 44.0}
    lots[7777] |= {"bag_spread": 0.9}
    lots[8888] |= {"humidity": 19.0}
    lots[9001] |= {"shown": 2.0}
    kept = thinned(lots)

    assert len(kept) <= MOST_POINTS + 1
    assert {one["lot"] for one in kept} >= {"L0", "L4321", "L7777", "L8888", "L9001", "L9999"}
    numbers = [int(one["lot"][1:]) for one in kept]
    assert numbers == sorted(numbers)
    assert thinned(lots[:MOST_POINTS]) == lots[:MOST_POINTS]


def test_a_lot_that_sets_no_limits_has_a_ring_and_says_why() -> None:
    out = {"lot": "L2", "tested_at": point(2)["tested_at"]}
    signed = {"why": "by_hand", "who": "Bench 2", "recorded_at": "2026-05-01T09:00:00+00:00", "reason": "wrong <film>"}
    rule = {"lot": "L3", "tested_at": point(3)["tested_at"], "why": "far_from_the_rest"}
    figure = plotly_figures.stream(
        stream(point(1), point(2), point(3), limits_history=[limits(left_out=[{**out, **signed}, rule])])
    )

    (ring,) = traces(figure, "left out")
    assert ring["x"] == [point(2)["tested_at"], point(3)["tested_at"]]
    told = traces(figure, "usual")[0]["text"]
    assert "not in the baseline, excluded by Bench 2, 1 May 2026: wrong &lt;film&gt;" in told[1]
    assert "excluded by the robust rule: too far from the rest" in told[2]
    assert "sets no" not in told[0]


def test_limits_that_a_person_set_again_are_marked_on_their_day() -> None:
    setting = {"who": "Bench 2", "from_at": "2026-02-01T00:00:00+00:00", "recorded_at": "2026-05-01T09:00:00+00:00"}
    figure = plotly_figures.stream(
        stream(point(1), point(2), limits_history=[limits(), limits(set_by={**setting, "reason": "new line"})])
    )

    (label,) = [one for one in figure["layout"]["annotations"] if one["text"] == "new baseline"]
    assert (label["x"], label["hovertext"]) == ("2026-02-01T00:00:00+00:00", "Bench 2, 1 May 2026: new line")


def test_a_limit_far_away_is_left_out_of_the_picture_and_of_its_scale() -> None:
    figure = plotly_figures.stream(stream(point(1), specification_limits={"lower": [], "upper": [step(1e9)]}))

    assert traces(figure, "limit") == []
    assert figure["layout"]["yaxis"]["range"][1] < math.log10(20.0)


def test_the_estimated_start_is_drawn_with_its_interval() -> None:
    figure = plotly_figures.stream(stream(point(1), point(9)), EVIDENCE)

    spans = [shape for shape in figure["layout"]["shapes"] if shape["type"] == "rect"]
    assert [(span["x0"], span["x1"]) for span in spans] == [("2026-01-10", "2026-03-01")]
    (told,) = (label for label in figure["layout"]["annotations"] if label["text"] == "began about 1 Feb 2026")
    # Above the name of the axis, which on a phone would lie under it.
    (title,) = (label for label in figure["layout"]["annotations"] if label["text"] == "lot level, nJ")
    assert told["yshift"] > title["font"]["size"]


def test_the_second_look_stands_beside_the_levels_and_takes_nothing_from_them() -> None:
    lots = [point(1, adjusted_level=None), point(2, adjusted_level=9.5), point(3, adjusted_level=45.0)]
    lots.append(point(4, adjusted_level=90.0, state="humid"))
    document = stream(*lots, humidity={"adjusted_to": 12.0})
    figure = plotly_figures.stream(document)
    before = [trace["y"] for trace in figure["data"]]
    plotly_figures.add_adjusted_levels(figure, document)

    assert [trace["y"] for trace in figure["data"][:-1]] == before
    (look,) = traces(figure, "adjusted level")
    assert look["y"] == [9.5, 45.0]
    assert (
        look["text"][0]
        == "Lot L2, 1 Feb 2026: would read 9.50 nJ at 12 % RH; for information only, the measured value is the record"
    )
    assert figure["layout"]["yaxis"]["range"][1] > math.log10(45.0)
    go.Figure(figure)


def test_a_strip_without_a_value_is_left_out() -> None:
    titles = [label["text"] for label in plotly_figures.stream(stream(point(1)))["layout"]["annotations"]]

    assert "variation between bags" in titles
    assert "variation between readings on a bag" not in titles


def test_names_from_files_are_written_out_where_the_library_reads_markup() -> None:
    figure = plotly_figures.stream(stream(point(1, lot="<b>&x")))

    (lot,) = traces(figure, "usual")
    assert lot["text"][0].startswith("Lot &lt;b&gt;&amp;x, 1 Jan 2026: 11.0 nJ")
    assert lot["customdata"] == ["<b>&x"]


def test_a_note_is_pinned_to_its_day() -> None:
    figure = plotly_figures.stream(stream(point(1)))
    plotly_figures.pin_notes(figure, [{"who": "Bench 2", "reason": "new <film>", "body": {"on": "2026-01-05"}}])

    note = figure["layout"]["annotations"][-1]
    assert (note["x"], note["hovertext"]) == ("2026-01-05", "Bench 2, 5 Jan 2026: new &lt;film&gt;")


def session(**more: Any) -> Document:
    readings = [
        {"specimen": bag, "reading": 1, "value": value, "bound": bound, "unit": "ohm"}
        for bag, value, bound in ((10, 1e12, 1), (9, 8e11, 0), (2, 9e11, 0))
    ]
    usual = {
        "readings": readings,
        "bags_outside": [2, 9, 10],
        "level": 9e11,
        "level_range": None,
        "limit_lower": 1e4,
        "limit_upper": 1e11,
        "scale": "log",
        "unit": "ohm",
    }
    return {**usual, **more}


def test_a_bag_outside_by_its_mean_is_filled_and_a_single_reading_outside_is_hollow() -> None:
    readings = [
        {"specimen": bag, "reading": number, "value": value, "bound": 0, "unit": "nJ"}
        for bag, values in ((1, (18.0, 21.0)), (2, (21.0, 22.0)), (3, (10.0, 11.0)))
        for number, value in enumerate(values, 1)
    ]
    figure = plotly_figures.bags(
        session(readings=readings, bags_outside=[2], unit="nJ", level=16.0, limit_lower=None, limit_upper=20.0)
    )

    shapes = {trace["marker"]["symbol"]: trace["text"] for trace in figure["data"] if trace["mode"] == "markers"}
    assert shapes["square"] == [
        "bag 2, reading 1: 21.0 nJ; mean of the bag outside the limit",
        "bag 2, reading 2: 22.0 nJ; mean of the bag outside the limit",
    ]
    assert shapes["square-open"] == ["bag 1, reading 2: 21.0 nJ; outside the limit, the mean of the bag is not"]
    assert len(shapes["circle"]) == 3


def test_bags_stand_in_their_order_and_bounded_readings_are_marked() -> None:
    figure = plotly_figures.bags(session(), {"center": 4e8, "lower": 1e8, "upper": 1e9})

    assert figure["layout"]["xaxis"]["categoryarray"] == ["bag 2", "bag 9", "bag 10"]
    above = next(trace for trace in figure["data"] if trace["marker"]["symbol"] == "triangle-up")
    assert above["text"] == ["bag 10, reading 1: &gt; 10¹² Ω; mean of the bag outside the limit"]
    levels = [shape["y0"] for shape in figure["layout"]["shapes"]]
    assert levels == [1e11, 1e8, 9e11]


TRACE = {
    "times": ["2026-01-01T00:00:00", "2026-01-01T01:00:00"], "humidity": [12.0, None], "temperature": [23.0, None],
    "humidity_low": 9.0, "humidity_high": 15.0, "temperature_low": 20.0, "temperature_high": 26.0,
    "from": "2026-01-01T00:30:00", "to": None,
}  # fmt: skip


@pytest.mark.parametrize(
    "figure",
    [
        plotly_figures.stream(
            stream(point(1), point(2, bound=1), forecast={"fan": FAN}), EVIDENCE, ("2026-01-01", "2026-12-31")
        ),
        plotly_figures.stream(stream(point(1), scale="linear")),
        plotly_figures.stream(stream(limits_history=[])),
        plotly_figures.bags(session()),
        plotly_figures.bags(session(scale="linear", level=None)),
        plotly_figures.chamber_trace(TRACE),
    ],
    ids=["stream", "linear stream", "stream without a point", "bags", "linear bags", "chamber"],
)
def test_plotly_accepts_every_figure_and_none_needs_webgl(figure: dict[str, Any]) -> None:
    checked = go.Figure(figure)

    assert {trace.type for trace in checked.data} <= {"scatter"}


@given(low=st.floats(-3, 13), width=st.floats(0.02, 9))
def test_a_log_axis_has_a_few_round_marks_inside_it(low: float, width: float) -> None:
    marks = round_ticks(10**low, 10 ** (low + width))

    assert all(10**low <= mark <= 10 ** (low + width) for mark in marks)
    assert marks == sorted(marks)
    assert len(marks) <= 20
    # However narrow, there is always something to read off.
    assert len(marks) >= 3


def test_the_room_beside_a_chart_holds_its_longest_label() -> None:
    figure = frame([""], [1], 230, right=END_ROOM)
    figure["layout"]["yaxis"] |= {"range": [0.0, 12.0], "type": "log"}
    add_end_labels(figure, [EndLabel(1e2, "upper 100")])
    assert figure["layout"]["margin"]["r"] == END_ROOM
    # Twenty bold letters were 103 pixels wide in the browser, and the last one is the power of ten.
    add_end_labels(figure, [EndLabel(4.45e10, "last lot 4.45 × 10¹⁰", strong=True)])
    assert figure["layout"]["margin"]["r"] >= 103 + 7
