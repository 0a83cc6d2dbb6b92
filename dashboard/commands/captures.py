"""The command that computes recorded discharges."""

from __future__ import annotations

from pathlib import Path

import click

from dashboard.commands.common import json_option, one_line_errors, print_json
from dashboard.text.bench import waveform_text
from ingest.parsing.captures import CaptureForm, Quantity
from ingest.sessions.waveforms import waveform as computed

__all__ = ["waveform"]


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@json_option
@click.option("--resistor", type=float, default=500.0, show_default=True, help="Sensing resistor in ohm.")
@click.option(
    "--quantity", type=click.Choice(["current", "voltage"]), help="What was recorded, where the file does not say."
)
@click.option("--time-unit", help="Unit of the times, where the file names none.")
@click.option("--value-unit", help="Unit of the values, where the file names none.")
@click.option("--interval-ns", type=float, help="Time between samples, where the file has no times.")
@click.option(
    "--window", type=float, nargs=2, help="First and last time that count, in ns: the same for all captures of a study."
)
@click.option("--bandwidth-mhz", type=float, help="Bandwidth of the set-up, to mark pulses that are too narrow for it.")
@click.option(
    "--circuit-ohm",
    type=float,
    help="All resistance of the circuit, where the discharge source itself was recorded, to check the source.",
)
@click.option("--recorded", type=float, help="Energy in nJ that the instrument printed, to compare.")
@one_line_errors
def waveform(
    file: Path,
    as_json: bool,
    resistor: float,
    quantity: Quantity | None,
    time_unit: str | None,
    value_unit: str | None,
    interval_ns: float | None,
    window: tuple[float, float] | None,
    bandwidth_mhz: float | None,
    circuit_ohm: float | None,
    recorded: float | None,
) -> None:
    """Compute the energy of recorded discharges; stores nothing.

    FILE holds times and currents or voltages as text, one capture or several.
    """
    form = CaptureForm(quantity, time_unit, value_unit, interval_ns)
    document = computed(file, resistor, form, window or None, bandwidth_mhz, recorded, circuit_ohm)
    print_json(document) if as_json else click.echo(waveform_text.waveform(document))
