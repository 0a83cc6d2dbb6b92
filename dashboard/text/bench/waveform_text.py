"""The captures of a file in words."""

from __future__ import annotations

from ingest.documents.bench.waveform import CaptureRow, WaveformDocument, WaveformMark

__all__ = ["MARKS", "capture_line", "waveform"]

MARKS: dict[WaveformMark, str] = {
    "clipped": "clipped: the true energy is higher",
    "cut_short": "the record ends inside the pulse: the true energy is higher",
    "below_noise": "below the noise: the true energy is lower",
    "second_burst": "a second discharge in the record",
    "narrow": "narrow for the bandwidth of the set-up: the true energy may be higher",
    "few_samples_on_rise": "fewer than five samples on the rise",
    "offset_moves": "the offset moves before the pulse",
    "noise_not_seen": "the noise lies below the step of the converter; none was subtracted",
    "uneven_steps": "uneven time steps",
    "no_discharge": "no discharge in the record: no result, and no excellent bag",
}
SIGNS = {-1: "<", 0: "", 1: ">"}


def capture_line(row: CaptureRow, quantity: str) -> str:
    """One capture: energy, peak, charge and what limits it."""
    if row["problem"]:
        return f"{row['name']} (line {row['line']}): not computed: {row['problem']}"
    unit = "A" if quantity == "current" else "V"
    parts = []
    if row["energy"] is not None:
        sd = f" ± {row['sd']:.2g}" if row["sd"] else ""
        parts.append(f"{SIGNS[row['bound']]}{row['energy']:.4g}{sd} nJ")
    if row["peak"] is not None and row["charge"] is not None:
        parts.append(f"peak {row['peak']:.4g} {unit}, charge {row['charge']:.4g} nC")
    if row["rise"] is not None and row["decay"] is not None:
        parts.append(f"rise {row['rise']:.3g} ns, decay {row['decay']:.3g} ns")
    if (source := row["source"]) is not None:
        parts.append(
            f"source {source['voltage']:.4g} V, {source['capacitance_pf']:.3g} pF, {source['resistance_ohm']:.4g} ohm by charge, energy and centroid"
        )
    parts += [MARKS[mark] for mark in row["marks"]]
    return f"{row['name']}: {'; '.join(parts)}"


def waveform(document: WaveformDocument) -> str:
    """Every capture of a file, and how the recorded figure compares."""
    lines = [capture_line(row, document["quantity"]) for row in document["captures"]]
    if document["ratio"] is not None:
        lines.append(
            f"Recorded {document['recorded']:.4g} nJ: {document['ratio']:.3g} times the median of the captures."
        )
        lines += [f"A constant ratio like this fits {cause}." for cause in document["causes"]]
    lines.append(
        f"Energy in {document['resistor_ohm']:g} ohm. Nothing was stored; the recorded figure stays the record."
    )
    return "\n".join(lines)
