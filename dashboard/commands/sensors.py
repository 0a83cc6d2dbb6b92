"""The command that records a check of a humidity sensor."""

from __future__ import annotations

from pathlib import Path

import click

from dashboard.commands.common import lab_option, lab_store
from dashboard.text.bench.sensor_text import sensor_line
from ingest.common.clock import now
from ingest.common.text import printable
from ingest.decisions.sensor_checks import record_check, take_back_check
from ingest.rounds.recompute import derive
from ingest.sessions.sensors import sensors

__all__ = ["sensor"]


@click.command()
@click.argument("name")
@lab_option
@click.option("--reads", default="", metavar="PERCENT", help="The humidity that the sensor reads.")
@click.option("--salt", default="", metavar="NAME", help="The saturated salt solution, such as lithium chloride.")
@click.option("--temperature", default="", metavar="CELSIUS", help="The temperature of the salt solution.")
@click.option("--reference", default="", metavar="PERCENT", help="The humidity of another reference.")
@click.option("--uncertainty", default="", metavar="PERCENT", help="Expanded uncertainty (k = 2) of the reference.")
@click.option(
    "--at", default="", metavar="MOMENT", help="When it was checked, such as 2026-11-20T10:00 (default: now)."
)
@click.option("--take-back", metavar="MOMENT", help="Take back the check of this moment.")
@click.option("--by", required=True, help="Your name.")
@click.option("--because", default="", help="A remark.")
def sensor(
    folder: Path,
    name: str,
    reads: str,
    salt: str,
    temperature: str,
    reference: str,
    uncertainty: str,
    at: str,
    take_back: str | None,
    by: str,
    because: str,
) -> None:
    """Record a check of a humidity sensor against a salt.

    NAME is that of its chamber, or of a second sensor, as in the log.
    """
    lab, store = lab_store(folder)
    with store.writing() as connection:
        if take_back is not None:
            take_back_check(connection, lab, name, take_back, by, because, now())
        else:
            fields = {
                "sensor": name, "reads": reads, "salt": salt, "temperature": temperature, "reference": reference,
                "uncertainty": uncertainty, "at": at,
            }  # fmt: skip
            record_check(connection, lab, by, because, fields, now())
        derive(connection, lab)
        line = next((sensor_line(one) for one in sensors(connection, lab, now()) if one["name"] == name), "Recorded.")
    click.echo(printable(line))
