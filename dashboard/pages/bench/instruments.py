"""Instruments: what is in date and checked, and the sheet of lots that one which was found off has touched."""

from __future__ import annotations

from collections.abc import Sequence

from dash import html

from dashboard.components.entry_form import field, form, if_editor
from dashboard.components.html_parts import lot_link, table, word
from dashboard.queries.lab_reader import LabReader
from dashboard.queries.load_names import load_names
from dashboard.text.bench.capture_text import day_sentence
from dashboard.text.bench.instrument_text import (
    check_reading,
    check_words,
    found_off_line,
    headline,
    instrument_line,
    levels,
    next_step,
    short_state,
    since_last_good,
    turns,
    wide_check_line,
)
from dashboard.text.bench.sensor_text import sensor_line
from dashboard.text.bench.study_text import component_rows, mean_words, session_rows, study_lines
from dashboard.text.formatting import characteristic, counted, day, moment
from dashboard.text.urls import sheet_address
from ingest.common.clock import now
from ingest.documents.bench.gauge_study import GaugeStudyDocument
from ingest.documents.bench.instrument import FoundOff, Instrument, TouchedLot
from ingest.documents.bench.sensor import Sensor
from ingest.sessions.gauge_studies import gauge_studies
from ingest.sessions.instruments import instruments
from ingest.sessions.sensors import CHECK_SENSOR, SALT_NAMES, sensors

__all__ = ["layout"]

# The shape and colour of a state, in the words that pages share.
STATES = {"checked": "pass", "unchecked": "silent", "overdue": "look", "failed": "act"}
NO_SENSOR = "None is declared: see [[chamber]] in lab.toml. A sensor that drifts keeps its log at 12 % while the air of the chamber moves."
# A browser takes seconds for hundreds of rows, folded or not; the file has them all.
ROWS_SHOWN = 25
CAUTION = "These sheets change no verdict. An authorised person decides about a lot, by the text of the standard and the lab's procedure."


def layout(lab_reader: LabReader, **_other: str) -> html.Div:
    """Every instrument that the tests or the calibrations name, as of now."""
    with lab_reader.reading() as connection:
        documents = instruments(connection, lab_reader.lab, now())
        humidity = sensors(connection, lab_reader.lab, now())
        chambers = load_names(connection, lab_reader.lab).chambers
    studies = gauge_studies(lab_reader.lab)
    return html.Div(
        [
            html.H1(headline(documents)),
            html.P(next_step(documents), className="lead"),
            html.P(CAUTION, className="quiet"),
            *[part for one in documents for part in _instrument(one)],
            *([html.H2("Gauge studies", id="studies")] if studies else []),
            *[part for one in studies for part in _study(one)],
            html.H2("Humidity sensors"),
            html.P(NO_SENSOR) if not humidity else None,
            *[part for one in humidity for part in _sensor(one)],
            *if_editor(
                "Record a check of a humidity sensor", _check_form([*chambers, *lab_reader.lab.second_sensors()])
            ),
        ]
    )


def _study(one: GaugeStudyDocument) -> list[object]:
    rows = component_rows(one)
    lines = study_lines(one)
    return [
        html.H3(f"{one['name']}, {characteristic(one['characteristic'])}, {day(one['done_on'])}"),
        *[html.P(line, className="caution" if one["trouble"] else None) for line in lines],
        table(("variation", "standard deviation", "95 % interval"), rows, f"Parts of the variation: {one['name']}")
        if rows
        else None,
        table(
            (one["session_column"], mean_words(one), "readings"),
            session_rows(one),
            f"Sessions: {one['name']}",
            (mean_words(one), "readings"),
        )
        if rows
        else None,
    ]


def _instrument(one: Instrument) -> list[object]:
    rows = [
        [
            day(row["done_at"]),
            day(row["due_on"]) if row["due_on"] else "",
            _percent(row["as_found"]),
            _percent(row["as_left"]),
            "" if row["uncertainty"] is None else f"{row['uncertainty']:g} %",
            row["certificate"],
        ]
        for row in one["calibrations"]
    ]
    heads = ("calibrated", "due", "as found", "as left", "uncertainty (k = 2)", "certificate")
    return [
        html.H2([word(STATES[one["state"]], short_state(one)), f" {one['name']}"]),
        html.P(instrument_line(one)),
        html.P(wide_check_line(one), className="caution", role="note") if wide_check_line(one) else None,
        *_checks(one),
        table(heads, rows, f"Calibrations of {one['name']}")
        if rows
        else html.P("No calibration on record.", className="quiet"),
        *[html.P([html.Strong("Waveforms. "), day_sentence(each)], className="entry") for each in one["capture_days"]],
        *[_sheet(one["name"], sheet) for sheet in one["found_off"]],
    ]


def _checks(one: Instrument) -> list[object]:
    """The set-up checks since the last good one, and the earlier ones that did not pass; all earlier ones are folded, with their first day."""
    rows = [[day(check["at"]), check_reading(check), check_words(check)] for check in one["checks"]]
    if not rows:
        return []
    shown = len(since_last_good(one["checks"]))
    others = one["checks"][shown:]
    heads = ("set-up check", "reading", "outcome")
    wrong = [row for row, check in zip(rows[shown:], others, strict=True) if check["outcome"] != "passed"]
    counts = f"{counted(len(others), 'earlier set-up check')} since {day(one['checks'][-1]['at'])}, "
    counts += f"{len(wrong)} of them not passed" if wrong else "all passed"
    if len(others) > ROWS_SHOWN:
        counts += f"; the latest {ROWS_SHOWN} are shown"
    return [
        table(heads, rows[:shown], f"Set-up checks of {one['name']} since the last good one"),
        table(heads, wrong[:ROWS_SHOWN], f"Earlier set-up checks of {one['name']} that did not pass")
        if wrong
        else None,
        html.Details(
            [html.Summary(counts), table(heads, rows[shown:][:ROWS_SHOWN], f"Earlier set-up checks of {one['name']}")]
        )
        if others
        else None,
    ]


def _sensor(one: Sensor) -> list[object]:
    rows = [
        [
            moment(check["at"]), check["salt"] or "reference", f"{check['reads']:g} %", f"{check['reference']:g} ± {check['uncertainty']:g} %",
            check["outcome"], check["by"],
        ]
        for check in one["checks"]
    ]  # fmt: skip
    heads = ("checked", "against", "reads", "expected", "outcome", "by")
    return [
        html.H3([word(STATES[one["state"]], one["state"]), f" {one['name']}"]),
        html.P(sensor_line(one)),
        table(heads, rows, f"Checks of {one['name']}") if rows else None,
    ]


def _check_form(names: Sequence[str]) -> html.Form:
    """The form for a check against a salt, or against another reference."""
    salts = [html.Option("another reference", value=""), *(html.Option(name, value=name) for name in SALT_NAMES)]
    return form(
        "",
        {CHECK_SENSOR: "Record the check"},
        [
            html.Label(["sensor", html.Select([html.Option(name, value=name) for name in names], name="sensor")]),
            field("reads, % RH", "reads", required=True, inputMode="decimal"),
            html.Label(["over", html.Select(salts, name="salt")]),
            field("temperature of the salt, °C", "temperature", inputMode="decimal"),
            field("or reference, % RH", "reference", inputMode="decimal"),
            field("its uncertainty (k = 2)", "uncertainty", inputMode="decimal"),
            field("time, if not now", "at", type="datetime-local"),
        ],
    )


def _percent(value: float | None) -> str:
    return "" if value is None else f"{value:+g} %".replace("-", "\N{MINUS SIGN}")


def _sheet(instrument: str, sheet: FoundOff) -> html.Section:
    """The tests between two calibrations; those whose verdict would change first. The file has those beyond the first rows."""
    heads = (
        "lot",
        "supplier",
        "test",
        "tested",
        "quarter",
        "verdict",
        "as read",
        "after the check",
        "straight drift",
        "since calibration",
        "verdict then",
    )
    rows = [
        [
            lot_link(lot["supplier"], lot["lot"]), f"{lot['supplier']} {lot['product']}", characteristic(lot["characteristic"]),
            day(lot["tested_at"]), lot["quarter"], lot["verdict"], *levels(sheet, place), turns(lot["changes"]),
        ]
        for place, lot in _first_rows(sheet)
    ]  # fmt: skip
    turning = sum(lot["changes"] > 0 for lot in sheet["lots"])
    standing = len(sheet["lots"]) - turning
    changed, stands = rows[: min(turning, ROWS_SHOWN)], rows[min(turning, ROWS_SHOWN) :]
    numbers = heads[6:10]
    return html.Section(
        [
            html.H3("Found out of tolerance"),
            html.P(found_off_line(sheet)),
            html.P(
                html.A(
                    f"All {counted(len(sheet['lots']), 'test')} as CSV",
                    href=sheet_address(instrument, sheet["found_at"]),
                    download="",
                    className="button",
                )
            ),
            table(heads, changed, "Lots whose verdict would change", numbers) if changed else None,
            html.P(_not_shown(turning, len(changed)), className="quiet") if turning > len(changed) else None,
            html.Details(
                [
                    html.Summary(f"{counted(standing, 'test')} whose verdict stands under every supposition"),
                    table(heads, stands, "Lots whose verdict stands", numbers),
                    html.P(_not_shown(standing, len(stands)), className="quiet") if standing > len(stands) else None,
                ]
            )
            if stands
            else None,
        ],
        className="sheet",
    )


def _first_rows(sheet: FoundOff) -> list[tuple[int, TouchedLot]]:
    """The first tests whose verdict would change and the first whose verdict stands, each with its place in the sheet."""
    places = list(enumerate(sheet["lots"]))
    changed = [one for one in places if one[1]["changes"]]
    return changed[:ROWS_SHOWN] + [one for one in places if not one[1]["changes"]][:ROWS_SHOWN]


def _not_shown(count: int, shown: int) -> str:
    return f"The first {shown} of {count} are shown; the file has them all."
