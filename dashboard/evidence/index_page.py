"""The page of an evidence bundle: what each file in it holds, and how to check it; one file that works offline."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any, Protocol

from dashboard.text.formatting import CAUTIONS, moment
from ingest.common.text import printable

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


STYLE = """
body{font:1rem/1.5 system-ui,sans-serif;max-width:60rem;margin:0 auto;padding:1rem;color:#1d2730;background:#fff}
h1{font-size:1.5rem;line-height:1.25;overflow-wrap:anywhere}h2{font-size:1.15rem;margin:1.8rem 0 .4rem}
h3{font-size:1rem;margin:1.2rem 0 .2rem}p,dl,ul,ol{margin:.3rem 0 .6rem}dt{font-weight:600;margin-top:.5rem}dd{margin:0 0 0 1rem}
.scroll{overflow-x:auto}table{border-collapse:collapse;font-size:.9rem}th,td{text-align:left;padding:.25rem .8rem .25rem 0;
border-bottom:1px solid #d8dee4;vertical-align:top}td.n{text-align:right;white-space:nowrap}code{font:.85em ui-monospace,monospace}
.hash{overflow-wrap:anywhere}.quiet{color:#566472}.caution{border-left:4px solid #b26a00;padding-left:.8rem}
@media print{body{max-width:none}.scroll{overflow:visible}}
"""

# What a file holds, then the columns that do not explain themselves.
TOLD: dict[str, tuple[str, Mapping[str, str]]] = {
    "readings.csv": (
        "Every reading, with the file and line that it came from. Where a later file corrected one, the earlier value stands "
        "above it.",
        {
            "state": "holds: the value in force; replaced: what it said before a correction, and when and by which file it was "
            "replaced. Count only rows that hold.",
            "value, unit": "the value in the unit of the lab's declaration",
            "bound": "-1: the reading is below the value (the floor of the instrument); 1: above it (over range); 0: measured",
            "written": "the cell as it stood in the file",
            "session_started_at": "to which test session in sessions.csv the reading belongs",
            "notes": "columns of the source file that have no meaning here, kept as they were",
        },
    ),
    "sessions.csv": (
        "Every test session: a lot's readings of one characteristic without a long pause between them, the result, the limit "
        "it was held against, and what the chamber log shows.",
        {
            "level": "the mean of the bag means (each the mean of its readings); on a log scale in natural logarithms, then "
            "turned back: a geometric mean. Empty where bounded readings do not settle it.",
            "judged_by, judged": "what of the session is held against the limit (mean or worst reading), and its value",
            "verdict": "pass; fail; undecided (inside the guard band, or a bounded reading does not settle it); invalid "
            "(conditioning not shown); unlimited (no limit applies)",
            "conditioning": "valid; short, humid, dry, warm, cold: what breaks it; unlogged: the log does not show it",
            "hours": "unbroken hours within tolerance up to the first reading",
            "on_chart": "yes: the session is the lot's point on the chart and counts; no: a repeat or an invalid test, kept in sight",
            "control_lower, control_center, control_upper": "the chart's limits for this lot, from the lab's own lots",
            "stands_out": "what the chart or the detector saw at this lot",
            "marked, settled": "whether the values look like a slip of the pen, and what a person said of it",
            "check_standard": "yes: a kept reference that watches the bench, no supplier's lot",
        },
    ),
    "climate.csv": (
        "The entries of the chamber logs that the judgement of these tests looked at, up to the last reading.",
        {},
    ),
    "limits.csv": (
        "The specification limits of these products over time, with the document each rests on. On a day the row with the "
        "newest day holds; of one day, the entry of a person.",
        {
            "from": "the first day on which it holds, in the lab's zone; empty: from the beginning",
            "value": "none: no limit",
        },
    ),
    "control-limits.csv": (
        "The chart's own limits, each set of them with the lots that they were worked out from.",
        {
            "lots, left_out": "the lots that set the limits; those left out, why, and by whom where a person did",
            "frozen_at": "the test with which they were complete; empty: still learning",
            "set_by": "who set them again from a day, and why; null: they are the first",
            "dependence": "the correlation of neighbouring lots for which they were widened",
            "lower, upper": "for a lot of usual size; the limits of each lot stand in sessions.csv",
        },
    ),
    "alerts.csv": (
        "The alerts whose evidence reaches into the time of these tests, and the bench alerts that explain some of them.",
        {"explained_by": "the bench alert that explains it: it does not count against the supplier"},
    ),
    "decisions.csv": (
        "What people entered about these streams, limits, lots and alerts: who, when, what, why. Entries are added, never changed.",
        {"about": "what the entry is about", "details": "what the entry holds beside its reason"},
    ),
    "files.csv": (
        "The source files, with the SHA-256 of their bytes when they were read.",
        {
            "lies_in": "where the lab's folder keeps the file",
            "bytes_there": "whether the file that lies there now has that SHA-256: the same; others; not there; can't be read",
            "stored, duplicate, corrected, refused": "what became of its data rows; together they are all of them",
        },
    ),
    "refused.csv": (
        "The rows of these files that were not stored, why, and their cells unchanged.",
        {},
    ),
    "scorecard-….pdf": ("The scorecards, where the bundle is of a quarter, as they were drawn up with it.", {}),
    "lab.toml": (
        "The lab's declarations when this was drawn up, written anew: those that decide how tests are read, judged and scored. "
        "Its head has the SHA-256 of the lab's own file.",
        {},
    ),
}
CHECKING = (
    "Linux, macOS: <code>sha256sum -c sha256.txt</code> (or <code>shasum -a 256 -c sha256.txt</code>) in the unpacked folder. "
    "Windows: <code>Get-FileHash *.csv</code> in PowerShell, and compare with the table.",
    "A source file against files.csv: the same command on the file in the lab's folder.",
    "A level: take the rows of readings.csv that hold, of one session; on a log scale take natural logarithms; average the "
    "readings of each specimen, then the specimens; turn the logarithm back. It is the level in sessions.csv.",
    "A verdict: hold the judged value against the row of limits.csv in force on the day of the test. A lower limit is inside, an "
    "upper one is not; within guard_percent of either it is undecided.",
)


def as_html(document: Mapping[str, Any], members: Sequence[Member]) -> bytes:
    """The page; `members` are the files written before it."""
    body = [
        f"<p class=quiet>{escape(document['lab'])}. Evidence bundle.</p><h1>{escape(printable(document['title']))}</h1>",
        f"<p>{escape(_drawn_up(document))}</p>",
        f"<p class=caution>{escape(CAUTIONS)}</p>",
        "<p class=caution>For those who audit: files and bench alerts can name other suppliers, so hand the whole bundle to "
        "nobody outside the lab without looking.</p>",
        f"<h2>The files</h2>{_table(members)}",
        "<h2>How to check it</h2><ol>" + "".join(f"<li>{line}</li>" for line in CHECKING) + "</ol>",
        "<h2>What the files hold</h2>",
        *(_told(name, *told) for name, told in TOLD.items()),
        "<p class=quiet>CSV files are UTF-8 with commas. Times carry their offset from UTC. A text that a spreadsheet would take "
        "for a formula is led by an apostrophe.</p>",
    ]
    page = (
        "<!doctype html><html lang=en><head><meta charset=utf-8><meta name=viewport content='width=device-width'>"
        f"<title>Evidence: {escape(printable(document['title']))}</title><style>{STYLE}</style></head><body>{''.join(body)}"
        "</body></html>"
    )
    return page.encode()


def _drawn_up(document: Mapping[str, Any]) -> str:
    said = f"Drawn up from the store as of its last round, {moment(document['drawn_up_at'])}."
    return said if document["over"] else f"{said} The quarter was not over then: more can follow."


def _table(members: Sequence[Member]) -> str:
    rows = "".join(
        f'<tr><td><a href="{escape(one.name)}">{escape(one.name)}</a></td>'
        f"<td class=n>{'' if one.rows is None else f'{one.rows:,}'}</td><td class=n>{one.size:,}</td>"
        f"<td class=hash><code>{one.sha256}</code></td></tr>"
        for one in members
    )
    heads = "".join(f"<th scope=col>{head}</th>" for head in ("file", "rows", "bytes", "SHA-256"))
    return f"<div class=scroll><table><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table></div>"


def _told(name: str, told: str, columns: Mapping[str, str]) -> str:
    terms = "".join(f"<dt>{escape(key)}</dt><dd>{escape(words)}</dd>" for key, words in columns.items())
    return f"<h3>{escape(name)}</h3><p>{escape(told)}</p>" + (f"<dl>{terms}</dl>" if terms else "")
