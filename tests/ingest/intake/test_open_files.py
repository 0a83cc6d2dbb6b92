"""Whether a file is being written: what the kernel tells, and what its signals do to us."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

from ingest.intake.open_files import size_and_time, still_written

NOW_NS = 2_000_000_000_000_000_000
# Asks again and again, as rounds do; beside it somebody opens the file for writing without a pause.
ASKS = """
import sys, time
from pathlib import Path
from ingest.intake.open_files import still_written
path = Path(sys.argv[1])
until = time.monotonic() + float(sys.argv[2])
asked = waited = 0
while time.monotonic() < until:
    waited += bool(still_written({path: (0, 0)}, 2_000_000_000_000_000_000))
    asked += 1
print(asked, waited)
"""


def test_a_writer_that_comes_while_the_kernel_is_asked_does_not_end_the_process(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("x\n")
    asking = subprocess.Popen([sys.executable, "-c", ASKS, str(path), "1.5"], stdout=subprocess.PIPE, text=True)

    while asking.poll() is None:
        os.close(os.open(path, os.O_WRONLY))

    assert asking.stdout is not None
    said = asking.stdout.read()
    asking.stdout.close()
    assert asking.returncode == 0, signal.Signals(-asking.returncode).name
    asked, waited = map(int, said.split())
    if sys.platform == "linux":
        # Otherwise the two never met.
        assert 0 < waited < asked


def test_a_file_that_somebody_holds_open_for_writing_is_being_written(tmp_path: Path) -> None:
    held, free = tmp_path / "held.csv", tmp_path / "free.csv"
    for path in (held, free):
        path.write_text("x\n")
    files = {path: size_and_time(path.stat()) for path in (held, free)}

    with held.open("a"):
        assert still_written(files, time.time_ns()) == {held}

    assert still_written(files, NOW_NS) == set()
