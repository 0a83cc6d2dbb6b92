"""The `lotdrift` command, put together from `dashboard/commands/`.

Heavy imports stand inside the commands, so that `lotdrift --help` answers at once.
"""

from __future__ import annotations

import click

from dashboard.commands import entering, papers, rounds, showing, users

__all__ = ["main"]


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lotdrift", prog_name="lotdrift")
def main() -> None:
    """Watch the lots of static-control packaging: valid tests, drift before a limit, the evidence behind it."""


for command in (
    rounds.run, rounds.serve, rounds.demo, rounds.check, rounds.upgrade,
    showing.board, showing.stream, showing.lot, showing.alerts, showing.history, showing.replay,
    entering.baseline, entering.limit, entering.settle, entering.action,
    papers.scorecard, papers.notice, papers.evidence,
    users.user,
):  # fmt: skip
    main.add_command(command)


if __name__ == "__main__":
    main()
