"""The test report on a lot's page: a draft to read, the issued ones, and the form to issue one."""

from __future__ import annotations

from dash import html

from dashboard.components.entry_form import field, form, if_editor
from dashboard.text.formatting import moment
from dashboard.text.urls import report_address
from ingest.audit.subjects import Subject
from ingest.documents.verdict.report import TestReport
from ingest.verdict.report import ISSUE_REPORT

__all__ = ["FIELDS", "report_section"]

FIELDS = {
    "number": "report number",
    "customer": "customer (blank: own use)",
    "state": "state of the bags as received",
    "sampling": "sampling: who took the bags, how many, from what",
    "deviations": "further deviations",
    "replaces": "replaces report (number)",
    "changes": "what changed",
}


def report_section(supplier: str, lot: str, issued: list[TestReport]) -> html.Section:
    """The section; `issued` are the reports of the lot so far."""
    replaced = {one["entries"]["replaces"] for one in issued}
    lines: list[object] = [
        html.Li(
            [
                html.A(
                    f"Report {one['entries']['number']}",
                    href=report_address(supplier, lot, number=one["entries"]["number"]),
                    download="",
                ),
                f", issued by {one['entries']['issued_by']}, {moment(one['issued_at'])}",
                " (replaced)" if one["entries"]["number"] in replaced else "",
            ]
        )
        for one in issued
    ]
    fields = [
        field(label, name, required=name == "number", maxLength=40 if name in ("number", "replaces") else 600)
        for name, label in FIELDS.items()
    ]
    return html.Section(
        [
            html.H2("Test report"),
            html.P(
                [
                    html.A("Draft (PDF)", href=report_address(supplier, lot), download=""),
                    ": drawn up by the program, issued by a person with name and number.",
                ]
            ),
            html.Ul(lines) if lines else html.P("No report issued yet.", className="quiet"),
            *if_editor(
                "Issue a report",
                html.P(
                    "Read the draft first. An issued report stays as it is; a number is never used again. The reason is your "
                    "authorisation.",
                    className="quiet",
                ),
                form(str(Subject.lot(supplier, lot)), {ISSUE_REPORT: "issue the report"}, fields),
            ),
        ],
        className="sheet",
    )
