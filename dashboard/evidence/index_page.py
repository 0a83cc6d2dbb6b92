"""The index page of an evidence bundle: the content of each file, and how to check it. It is one file that works offline."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from dashboard.paper.html_page import render
from dashboard.text.formatting import CAUTIONS, moment

__all__ = ["Member", "as_html"]


class Member(Protocol):
    """A file of the bundle."""

    @property
    def name(self) -> str: ...
    @property
    def size(self) -> int: ...
    @property
    def sha256(self) -> str: ...
    @property
    def rows(self) -> int | None: ...


# The content of each file, then the columns that do not explain themselves.
CONTENTS: dict[str, tuple[str, Mapping[str, str]]] = {
    "readings.csv": (
        "Every reading, with its source file and line. If a later file corrected a reading, the earlier value is in the row "
        "above it.",
        {
            "state": "holds: the value in force; replaced: the value before a correction, with the time and the file of the "
            "correction. Count only rows that hold.",
            "value, unit": "the value in the unit that the lab declares",
            "bound": "0: measured; -1: below the value (the floor of the instrument); 1: above the value (over range)",
            "written": "the cell as it is in the file",
            "session_started_at": "the test session of the reading in sessions.csv",
            "notes": "columns of the source file without a meaning here, unchanged",
        },
    ),
    "sessions.csv": (
        "Every test session: the readings of one characteristic of a lot without a long pause, the result, the limit that "
        "applied, and the conditioning in the chamber log.",
        {
            "level": "the mean of the bag means (each the mean of its readings); on a log scale the mean of natural logarithms, "
            "turned back: a geometric mean. Empty if bounded readings leave it open: then it lies from level_low to level_high, "
            "and an empty end has no bound.",
            "worst_bound, worst_bag_bound": "0: measured; -1: below the value; 1: above the value",
            "bags_outside, bags_undecided, worst_bag": "the bags outside the limit, each by the mean of its readings; those that "
            "bounded readings leave open; the mean of the worst bag",
            "judged_by, judged": "the quantity compared with the limit (mean or worst reading), and its value",
            "decision_rule, accept_lower, accept_upper, reject_lower, reject_upper": "the decision rule on the day of the test and, "
            "in the unit, the values from which it accepts and rejects a lot; empty: no limit on that side",
            "uncertainty, bench_part, bench_part_from, bench_part_df": "the standard uncertainty of the level, and the part of it that "
            "a whole session shares (load, day, operator, tester), with its source and its degrees of freedom: of natural logarithms on "
            "a log scale, else in the unit. Empty: not known, and not in the uncertainty. With gauge study as the source it follows from "
            "gauge-studies.csv.",
            "verdict": "pass; fail; undecided (in the guard band, or a bounded reading leaves it open); invalid (conditioning not "
            "documented); unlimited (no limit applies)",
            "conditioning": "valid; short, humid, dry, warm, cold: the reason why it is not; unlogged: the log does not cover it; "
            "instrument: it was overdue or failed its check; no conditioning required: the characteristic needs none",
            "hours": "hours within tolerance without a break up to the first reading",
            "hours_of": "load: the hours of the specimens, by loads.csv; chamber: no record of the load, so the hours of the chamber",
            "loaded_at": "the last event that put the load into a chamber before the test",
            "instrument_state": "checked: the calibration was in date and the set-up check in tolerance, as far as the lab keeps records "
            "of each; unchecked: no record shows that it was right, and none that it was wrong; overdue: past its calibration date; failed: "
            "a set-up check was out of tolerance",
            "on_chart": "yes: the session is the lot's point on the chart and counts; no: a repeat or an invalid test, kept for "
            "the record",
            "control_lower, control_center, control_upper": "control limits and centre line for this lot, from the lab's own lots",
            "stands_out": "the signals of the chart or the alarm rule at this lot",
            "marked, settled": "whether the values look like a unit or typing error, and the decision on it",
            "bench_findings, bench_percent_or_unit, level_without_bench": "the findings about the bench in whose weeks the "
            "test was made (alerts.csv, by id), what each added to the level, and the level with all of them taken out; they "
            "stay after a finding is closed. A calibration does not show since when an instrument was off: the tests since the last "
            "good evidence are marked, and the level is the one if it was off by then",
            "check_standard": "yes: a check standard that monitors the bench, not a supplier's lot",
        },
    ),
    "loads.csv": (
        "The record of loads up to the last reading: when the specimens of these tests went into a chamber, were moved and came out.",
        {
            "lot": "empty: the event is about all lots of the load",
            "laid": "how the specimens lay in the chamber; empty: not recorded",
            "planned_test": "the time for which the test was planned; empty: not recorded",
        },
    ),
    "calibrations.csv": (
        "All calibrations of the instruments of these tests. One after a test can show that the instrument was off before it.",
        {
            "as_found_percent, as_left_percent": "the deviation before and after adjustment, in percent of the reference",
            "uncertainty_percent": "the expanded uncertainty (k = 2)",
        },
    ),
    "instrument-checks.csv": (
        "The set-up checks of the instruments of these tests, since the calibration before them, and the checks of the humidity "
        "sensors of their chambers.",
        {
            "deviation_percent, low_percent, high_percent": "what a set-up check read against its expected value, with the ends of its 95 % "
            "interval; empty: bounded readings leave it open",
            "outcome": "passed: the interval lies within the tolerance; failed: outside it, or the check before read outside on the same "
            "side (again: yes); open: not settled",
            "reads, reference, uncertainty": "a sensor check, in % RH; the expanded uncertainty (k = 2) of the reference",
        },
    ),
    "gauge-studies.csv": (
        "The readings of the gauge studies of these characteristics: every specimen was measured in every session, several times. "
        "The analysis of variance of them gives the bench part of the uncertainty from the day known_from on.",
        {
            "sessions_by": "what distinguishes the sessions: operator, load, day or instrument",
            "sha256": "that of the file now",
        },
    ),
    "climate.csv": (
        "The chamber log entries on which the validity of these tests depends, up to the last reading.",
        {},
    ),
    "limits.csv": (
        "The specification limits of these products over time, each with its document. The row with the latest day applies; of "
        "two rows of one day, the entry of a person.",
        {
            "from": "the first day on which the limit applies, in the lab's time zone; empty: from the beginning",
            "value": "none: no limit",
        },
    ),
    "control-limits.csv": (
        "Each set of control limits, with its baseline lots.",
        {
            "lots, left_out": "the baseline lots; the excluded lots, with the reason, and the person if one excluded them",
            "frozen_at": "the test that completed the baseline; empty: the baseline is not complete",
            "set_by": "who started a new baseline from a day, and why; null: the first baseline",
            "dependence": "the autocorrelation for which the limits were widened",
            "lower, upper": "for a lot of normal size; sessions.csv has the limits for each lot",
        },
    ),
    "alerts.csv": (
        "The alerts whose evidence overlaps the time of these tests, the bench alerts that explain some of them, and those in "
        "whose weeks a test was made.",
        {"explained_by": "the bench alert that explains this alert: it does not count against the supplier"},
    ),
    "decisions.csv": (
        "The entries of people about these streams, limits, lots and alerts: who, when, what and why. Entries are added and "
        "never changed.",
        {"about": "the subject of the entry", "details": "the content of the entry beside its reason"},
    ),
    "files.csv": (
        "The source files, with the SHA-256 of their bytes at the time of reading.",
        {
            "lies_in": "the place of the file in the lab's folder",
            "bytes_there": "whether the file there now has that SHA-256: the same; others; not there; can't be read",
            "stored, duplicate, corrected, refused": "the number of data rows by result; together they are all rows",
        },
    ),
    "refused.csv": (
        "The rows of these files that were refused, with the reason and their original cells.",
        {},
    ),
    "scorecard-….pdf": ("The scorecards of the quarter, from the same data. The bundle of a lot has none.", {}),
    "lab.toml": (
        "The lab's declarations in force that decide how tests are read, judged and scored. Its first lines give the SHA-256 of "
        "the lab's own file.",
        {},
    ),
}


def as_html(lab: str, title: str, drawn_up_at: str, members: Sequence[Member], *, over: bool) -> str:
    """The page.

    Parameters
    ----------
    lab, title : str
        Names of the lab and of the lot or quarter.
    drawn_up_at : str
        ISO 8601 time of the store's last round.
    members : sequence of Member
        The files written before the page.
    over : bool
        Whether the quarter was over at that time.
    """
    return render(
        "evidence/index.html", lab=lab, title=title, as_of=moment(drawn_up_at), members=members, over=over,
        contents=CONTENTS, cautions=CAUTIONS,
    )  # fmt: skip
