"""The `lotdrift` command: its subcommands by name, each loaded only when it is called."""

from __future__ import annotations

import click

from dashboard.commands.lazy_group import LazyGroup

__all__ = ["main"]

COMMANDS = {
    "action": ("dashboard.commands.entries:action", "Record the steps of a corrective action on an alert."),
    "ageing": ("dashboard.commands.stock:ageing", "Show how a product ages on the shelf."),
    "alias": ("dashboard.commands.entries:alias", "Declare that a supplier, product or lot is written in two ways."),
    "alerts": ("dashboard.commands.lists:alerts", "List the open alerts."),
    "bags": ("dashboard.commands.verdicts:bags", "Show what a number of bags proves of a lot."),
    "baseline": ("dashboard.commands.entries:baseline", "Set a new baseline for a stream, or exclude a lot from it."),
    "board": ("dashboard.commands.lists:board", "Show the weekly board, one row a stream."),
    "cases": ("dashboard.commands.work:cases", "List the cases with owner, due date and state."),
    "check": ("dashboard.commands.rounds:check", "Check lab.toml and every drop without storing anything."),
    "demo": ("dashboard.commands.serving:demo", "Make a demo lab with invented feeds and serve it."),
    "compare": ("dashboard.commands.verdicts:compare", "Compare products or suppliers by their lots."),
    "decision": (
        "dashboard.commands.entries:decision",
        "Change the decision rule of a characteristic from a day on.",
    ),
    "evidence": ("dashboard.commands.papers:evidence", "Write the evidence for an audit as one ZIP file."),
    "find": ("dashboard.commands.work:find", "Find a lot, product, supplier, file, operator or alert."),
    "history": ("dashboard.commands.lists:history", "Show the audit trail, the newest entry first."),
    "instruments": (
        "dashboard.commands.documents:instruments",
        "Show calibrations, set-up checks and what a bad meter touched.",
    ),
    "limit": ("dashboard.commands.entries:limit", "Change a product's specification limit from a day on."),
    "lot": ("dashboard.commands.documents:lot", "Show one lot with every reading and test session."),
    "notice": ("dashboard.commands.papers:notice", "Write the notice to a supplier about an alert as PDF."),
    "ready": ("dashboard.commands.documents:ready", "Show what may be tested now, and when the rest."),
    "replay": ("dashboard.commands.documents:replay", "Show the board and the alerts of a past day."),
    "report": ("dashboard.commands.verdicts:report", "Write the test report of a lot as PDF."),
    "retest": ("dashboard.commands.work:retest", "List the lots to test again, the newest first."),
    "run": ("dashboard.commands.rounds:run", "Do one round: take in the drops, evaluate, raise alerts."),
    "scorecard": ("dashboard.commands.papers:scorecard", "Write the scorecards of a quarter."),
    "sensor": ("dashboard.commands.sensors:sensor", "Record a check of a humidity sensor against a salt."),
    "serve": ("dashboard.commands.serving:serve", "Serve the dashboard and do the scheduled rounds."),
    "settle": ("dashboard.commands.entries:settle", "Clear a suspect test (unit or typing error)."),
    "stock": ("dashboard.commands.stock:stock", "Show the lots in stock and the day to keep each until."),
    "stream": ("dashboard.commands.documents:stream", "Show one stream, lot by lot."),
    "study": ("dashboard.commands.documents:study", "Show the gauge studies and the session part that they give."),
    "upgrade": ("dashboard.commands.rounds:upgrade", "Upgrade the store of an earlier version."),
    "user": ("dashboard.commands.users:user", "Manage who may use the dashboard."),
    "waveform": ("dashboard.commands.captures:waveform", "Compute the energy of recorded discharges; stores nothing."),
    "whatif": ("dashboard.commands.verdicts:whatif", "Judge the history by another limit; nothing is recorded."),
}


@click.group(cls=LazyGroup, commands_by_name=COMMANDS, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lotdrift", prog_name="lotdrift")
def main() -> None:
    """Monitor the lots of static-control packaging: valid tests, drift before a limit, and the evidence for both."""


if __name__ == "__main__":
    main()
