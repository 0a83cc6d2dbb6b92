"""How long the captures of a lot take to read: 36 discharges, two million samples in one file.

    PYTHONPATH=.:tests python tests/bench/bench_captures.py

Processor time beside that of parsing the same numbers with pandas alone, which is the floor.
"""

from __future__ import annotations

import io
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from support.discharges import pulse

from ingest.parsing.captures import CaptureForm
from ingest.sessions.waveforms import waveform

CAPTURES, SAMPLES = 36, 55_600
TARGET_SECONDS = 2.0


def text() -> str:
    """The captures below each other, every 20 ps."""
    at = -100.0 + 0.02 * np.arange(SAMPLES)
    parts = [
        "\n".join(f"{moment:.2f},{value:.5g}" for moment, value in zip(at, pulse(9.0, at, place), strict=True))
        for place in range(CAPTURES)
    ]
    return "time [ns],current [mA]\n" + "\n".join(parts) + "\n"


def cost(do: Callable[[], object]) -> float:
    begun = time.process_time()
    do()
    return time.process_time() - begun


def main() -> None:
    whole = text()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lot.csv"
        path.write_text(whole, encoding="utf-8")
        captures = waveform(path, 500.0, CaptureForm())["captures"]
        assert len(captures) == CAPTURES
        read = min(cost(lambda: waveform(path, 500.0, CaptureForm())) for _ in range(3))
    floor = min(cost(lambda: pd.read_csv(io.StringIO(whole))) for _ in range(3))
    print(
        f"{CAPTURES} captures, {CAPTURES * SAMPLES / 1e6:.1f} million samples: {read:.2f} s (at most {TARGET_SECONDS:g} s)"
    )
    print(f"parsed by pandas alone: {floor:.2f} s; ratio {read / floor:.1f}")


if __name__ == "__main__":
    main()
