"""Captures of invented discharges, written as an instrument would."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

__all__ = ["capture_file", "pulse"]

# Energy of 0.05 A (exp(-t / 20 ns) - exp(-t / 2 ns)) in 500 ohm, by the integral in closed form: R I^2 (a/2 + b/2 - 2ab/(a + b)).
UNIT_NJ = 500 * 0.05**2 * (20 / 2 + 2 / 2 - 2 * 20 * 2 / 22)


def pulse(energy: float, time: np.ndarray, seed: int = 0, noise_ma: float = 0.05) -> np.ndarray:
    """A discharge of this energy (nJ) in 500 ohm, as currents in mA with noise; none where the energy is 0."""
    late = np.clip(time, 0, None)
    clean = 50 * np.sqrt(energy / UNIT_NJ) * np.where(time > 0, np.exp(-late / 20) - np.exp(-late / 2), 0.0)
    noise: np.ndarray = clean + np.random.default_rng(seed).normal(0, noise_ma, len(time))
    return noise


def capture_file(
    energies: Sequence[float],
    identity: Sequence[Mapping[str, object]] | None = None,
    seed: int = 0,
    first_ns: float = -100,
) -> str:
    """Captures side by side; or below each other with columns that name their readings, where `identity` has one for each."""
    time = np.arange(first_ns, 300.0)
    records = [pulse(energy, time, seed + place) for place, energy in enumerate(energies)]
    if identity is None:
        header = ",".join(["time [ns]", *(f"current {place} [mA]" for place in range(1, len(records) + 1))])
        rows = [",".join(f"{value:.6g}" for value in row) for row in zip(time, *records, strict=True)]
    else:
        header = ",".join([*identity[0], "time [ns]", "current [mA]"])
        rows = [
            ",".join([*map(str, names.values()), f"{at:g}", f"{value:.6g}"])
            for names, record in zip(identity, records, strict=True)
            for at, value in zip(time, record, strict=True)
        ]
    return "\n".join([header, *rows]) + "\n"
