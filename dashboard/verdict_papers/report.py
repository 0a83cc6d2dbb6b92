"""The test report of a lot as PDF."""

from __future__ import annotations

from dashboard.paper import typeset
from dashboard.text.bench.instrument_text import OUTCOMES
from dashboard.text.file_names import distinguishing_mark, plain_name
from dashboard.text.formatting import (
    amount,
    characteristic,
    counted,
    day,
    listed,
    moment,
    percent,
    required_humidity,
    room_to_limit,
    signed,
)
from dashboard.text.verdict.conformity_text import has_guard, rule_words
from dashboard.text.verdict.verdict_text import verdict_text
from ingest.documents.verdict.report import ChamberRecord, ReportSession, TestReport
from spc.vocabulary.enums import BenchSource, Scale

__all__ = ["as_pdf", "file_name"]

NOT_RECORDED = "not recorded"
LIMITS = (
    "The results hold for the items tested only. The report must not be copied in part without the laboratory's consent.",
    "A test result is no release: the release of a lot is up to the person whom the procedure authorises.",
    "Part of no uncertainty here: differences between laboratories, for which no public figure exists.",
)


def file_name(report: TestReport) -> str:
    """The name of the file."""
    names = "-".join(part for part in (plain_name(report["supplier"]), plain_name(report["lot"])) if part)
    mark = distinguishing_mark(f"{report['supplier']}\n{report['lot']}\n{report['entries']['number']}")
    state = plain_name(report["entries"]["number"]) if report["issued_at"] else "draft"
    return f"report-{names}-{state}-{mark}.pdf"


def as_pdf(report: TestReport) -> bytes:
    """The paper."""
    entries = report["entries"]
    number = entries["number"] if report["issued_at"] else "DRAFT, not issued"
    data = {
        "lab": report["lab"],
        "document_title": f"Test report {number}: lot {report['lot']}",
        "heading": f"Test report {number}",
        "foot_left": f"Report {number}. Data as of {day(report['drawn_up_at'])}.",
        "foot_right": f"Lot {report['lot']}",
        "lot": report["lot"],
        "is_draft": report["issued_at"] is None,
        "not_valid": all(not one["valid"] for one in report["sessions"]),
        "replaces": f"This report replaces report {entries['replaces']}. Changed: {entries['changes']}"
        if entries["replaces"]
        else "",
        "facts": _facts(report),
        "sessions": [_session(one) for one in report["sessions"]],
        "entered_deviations": entries["deviations"],
        "signed": (
            f"Issued by {entries['issued_by']}, {moment(report['issued_at'])}: {entries['authorisation']}"
            if report["issued_at"]
            else "Draft: a person issues the report with name and number. Until then it is no test report."
        ),
        "limits": list(LIMITS),
    }
    return typeset.as_pdf("dashboard.verdict_papers", "report.typ", data, report["issued_at"] or report["drawn_up_at"])


def _facts(report: TestReport) -> list[tuple[str, str]]:
    entries = report["entries"]
    place = f"{report['lab']}, {report['address']}" if report["address"] else report["lab"]
    return [
        ("laboratory and place of the test", place),
        ("customer", entries["customer"] or "own use"),
        ("supplier and product", f"{report['supplier']}, {report['product']}"),
        ("lot", report["lot"]),
        ("made", day(report["made_on"])),
        ("received", day(report["received_on"])),
        ("state of the bags as received", entries["state"] or "not stated"),
        ("sampling", entries["sampling"] or "not stated"),
        ("issued", moment(report["issued_at"]) if report["issued_at"] else "not issued"),
    ]


def _session(one: ReportSession) -> dict[str, object]:
    unit, found = one["unit"], one["statistics"]
    heading = f"{characteristic(one['characteristic']).capitalize()}, {moment(one['tested_at'])}"
    bags: dict[int, list[str]] = {}
    for reading in one["readings"]:
        bags.setdefault(reading["specimen"], []).append(amount(reading["value"], "", reading["bound"]))
    return {
        "heading": heading,
        "invalid": "" if one["valid"] else "Not a valid test: no verdict.",
        "method": [
            ("method", one["method"] or "not declared"),
            ("tested", f"{moment(one['tested_at'])} to {moment(one['ended_at'])}"),
            ("required conditioning", one["required"]),
            ("documented conditioning", _conditioning(one)),
            *_chamber_record(one),
            ("chamber, load", ", ".join(part for part in (one["chamber"], one["load"]) if part) or "not named"),
            ("instrument", one["instrument"] or "not named"),
            *_equipment(one),
            ("tested by", listed(one["operators"]) if one["operators"] else "not named"),
        ],
        "results": [
            ("bags, readings", f"{counted(found['bags'], 'bag')}, {counted(found['readings'], 'reading')}"),
            ("minimum, maximum", f"{amount(found['minimum'], unit)}, {amount(found['maximum'], unit)}"),
            ("mean of bag means", _mean(one, found["mean"], found["mean_low"], found["mean_high"])),
            *(
                [
                    (
                        "geometric mean",
                        _mean(one, found["geometric_mean"], found["geometric_low"], found["geometric_high"]),
                    )
                ]
                if one["scale"] == Scale.LOG
                else []
            ),
            ("median", amount(found["median"], unit)),
            ("standard deviation of bag means", amount(found["sd_bags"], unit)),
            ("standard deviation within bags", amount(found["sd_within"], unit)),
        ],
        "conformity": _conformity(one),
        "deviations": one["deviations"],
        "unit": unit,
        "rows": [[str(bag), ", ".join(values)] for bag, values in bags.items()],
    }


def _conditioning(one: ReportSession) -> str:
    if one["hours"] is None:
        return "none documented"
    low, high = one["humidity_min"], one["humidity_max"]
    humidity = "" if low is None or high is None else f"; {required_humidity(low, high)}"
    return f"{one['hours']:.1f} h within tolerance up to the test{humidity}"


def _chamber_record(one: ReportSession) -> list[tuple[str, str]]:
    """The log of the chamber and its sensors; a report issued before they were listed has none."""
    record = one.get("chamber_record")
    if record is None:
        return []
    span = f"{moment(record['from_at'])} to {moment(record['until_at'])}"
    if record["humidity"] is None or record["temperature"] is None:
        log = f"no entry of {record['chamber'] or 'the chamber'} from {span}"
    else:
        (dry, mean, humid), (cold, mean_c, warm) = record["humidity"], record["temperature"]
        log = (
            f"all entries from {span}: least {dry:.1f}, mean {mean:.1f}, greatest {humid:.1f} % RH; {cold:.1f}, {mean_c:.1f}, {warm:.1f} °C; "
            f"{counted(record['entries'], 'entry', 'entries')}, longest gap {record['longest_gap_minutes'] or 0:.0f} min"
        )
    sensors = (
        f"expanded uncertainty ±{record['sensor_uncertainty']:g} % RH, as declared"
        if record["sensor_uncertainty"] is not None
        else "uncertainty not declared"
    )
    second = f"; second sensor {record['second_sensor']}" if record["second_sensor"] else "; no second sensor declared"
    rows = [("chamber log", log), ("humidity sensor", sensors + second)]
    return [*rows, ("bags in the chamber", _stay(record)), ("how the bags lay", record["laid"] or NOT_RECORDED)]


def _stay(record: ChamberRecord) -> str:
    """From when to when the bags were in the chamber; a test may end before they are taken out."""
    if record["loaded_at"] is None:
        return NOT_RECORDED
    came_out = record.get("out_at")
    begin = f"from {moment(record['loaded_at'])}"
    return f"{begin} to {moment(came_out)}" if came_out else f"{begin}; when they came out is {NOT_RECORDED}"


def _equipment(one: ReportSession) -> list[tuple[str, str]]:
    """Calibration, set-up checks and the state of the instrument on the day of the test."""
    found = one.get("equipment")
    if found is None:
        return []
    calibration = found["calibration"]
    if calibration is None:
        line = "none on record"
    else:
        parts = [
            f"done {moment(calibration['done_at'])}",
            f"certificate {calibration['certificate']}" if calibration["certificate"] else "certificate not named",
            f"due {day(calibration['due_on'])}" if calibration["due_on"] else "no due date",
            f"expanded uncertainty {calibration['uncertainty']:g} %" if calibration["uncertainty"] is not None else "",
            f"as left {signed(calibration['as_left'], 'g')} %" if calibration["as_left"] is not None else "",
        ]
        line = ", ".join(part for part in parts if part)
    checks = "; ".join(
        f"{moment(check['at'])}, {check['when']} the test: {OUTCOMES[check['outcome']]}" for check in found["checks"]
    )
    missing = "none in the declared hours" if found["checks_declared"] else "none declared"
    return [
        ("state of the instrument that day", found["state"]),
        ("calibration", line),
        ("set-up checks", checks or missing),
    ]


def _mean(one: ReportSession, value: float | None, low: float | None, high: float | None) -> str:
    """A mean; with the interval by its bags only where no uncertainty is stated, so that a report has one interval."""
    unit = one["unit"]
    if value is None:
        return "not given: readings beyond the range"
    if one.get("expanded") is not None:
        return amount(value, unit)
    if low is None:
        return f"{amount(value, unit)} (no interval from one bag)"
    return f"{amount(value, unit)} (95 % by the scatter of the bags alone: {amount(low, unit)} to {amount(high, unit)})"


def _conformity(one: ReportSession) -> list[tuple[str, str]]:
    """The statement of conformity; none without a limit or a valid test."""
    unit = one["unit"]
    if one["limit_lower"] is None and one["limit_upper"] is None:
        return [("specification limit", "none applies: results without a statement of conformity")]
    limit = room_to_limit({"unit": unit, "limit_lower": one["limit_lower"], "limit_upper": one["limit_upper"]})
    rows = [("specification limit", f"{limit}, {one['limit_document']}" if one["limit_document"] else limit)]
    if not one["valid"]:
        return rows
    statistic = "geometric mean" if one["judged_by"] == "mean" and one["scale"] == Scale.LOG else one["judged_by"]
    rows.append(("judged", f"{statistic}: {amount(one['judged'], unit)}"))
    if one["rule"] is not None:
        risk = (
            "shared risk: up to 50 % wrong passes at the limit"
            if not has_guard(one["rule"])
            else "by the declared risk"
            if one["rule"]["rule"] == "guarded"
            else "as declared"
        )
        edge = one["accept_upper"] if one["accept_upper"] is not None else one["accept_lower"]
        bound = f"; passes to {amount(edge, unit)}" if has_guard(one["rule"]) else ""
        rows.append(("decision rule", f"{rule_words(one['rule'])} ({risk}{bound})"))
    rows.append(("verdict", _verdict(one)))
    if one["u"] is not None:
        rows.append(("expanded uncertainty (k = 2)", _uncertainty(one)))
    if one["p"] is not None:
        rows.append(("chance that the mean of the lot is inside", percent(one["p"])))
    elif one["p_high"] is not None:
        rows.append(
            ("chance that the mean of the lot is inside", f"{percent(one['p_low'])} to {percent(one['p_high'])}")
        )
    return rows


def _verdict(one: ReportSession) -> str:
    """The verdict with what must be known beside it: bags outside, the worst of them, a level outside the control limits."""
    if "bag_count" not in one:
        return str(one["verdict"])
    limits, outside = (one["limit_lower"], one["limit_upper"]), one.get("outside_control_limits", False)
    return verdict_text(one["verdict"], one["judged_by"], one["bag_count"], outside, limits, {"unit": one["unit"]})


def _uncertainty(one: ReportSession) -> str:
    parts = one["parts"]
    text = f"{200 * (one['u'] or 0):.1f} %" if one["scale"] == Scale.LOG else f"{2 * (one['u'] or 0):.3g} {one['unit']}"
    if (ends := one.get("expanded")) is not None:
        text += f", the level lies from {amount(ends[0], one['unit'])} to {amount(ends[1], one['unit'])}"
    if parts is not None and one["scale"] == Scale.LOG:
        named = [f"{name} {100 * value:.1f} %" for name, value in (
            ("bags", parts["bags"]), ("readings", parts["readings"]), ("bench", parts["bench"]), ("instrument", parts["instrument"])
        ) if value]  # fmt: skip
        text += f"; from standard uncertainties: {', '.join(named)}"
    if one["bench"] == BenchSource.UNKNOWN:
        text += "; bench part not known and not in it"
        if one["u_high"] is not None and one["scale"] == Scale.LOG:
            text += f", with its bound {200 * one['u_high']:.1f} %"
    return text
