"""Rounds as processes of their own, forked from one that has everything loaded, so that hundreds take seconds.

    PYTHONPATH=tests python tests/support/forkedrounds.py < orders > answers

An order is a line of JSON, and so is its answer:

- {"do": "kill", "folder": F, "seed": N, "longest": S}: rounds that are killed by SIGKILL at random instants up to S seconds
  after their start, until one ends by itself; the answer is the number of kills and the seconds that the last round took.
- {"do": "command", "arguments": [[…], …], "bytes": N}: `lotdrift` commands at the same time, with files limited to N bytes
  where N is given; the answer is a list of exit status, standard output and standard error.
- {"do": "measure", "arguments": […], "most": N, "seconds": S}: one command that may ask for N bytes more and take S seconds; the
  answer is exit status (below 0: the signal that ended it), standard output, standard error, and the most memory in bytes
  that it had at a time.
- {"do": "warm up"}: one round in this process, so that forked ones find all loaded and compiled; the answer is null. Memory
  that it leaves free is then free to each of them.
"""

from __future__ import annotations

import gc
import json
import os
import random
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

from click.testing import CliRunner
from support.labs import MONDAY, NOW, Bench, lot_rows

import dashboard.queries.stored_documents  # noqa: F401  (loaded before the fork)
import ingest.parsing.proposal.source_preview  # noqa: F401
import spc.stream.evaluate  # noqa: F401
from dashboard.cli import main as lotdrift
from ingest.config.lab import load
from ingest.rounds import rounds

STATUS_OF_A_FAULT = 99


def kill_rounds(folder: str, seed: int, longest: float) -> tuple[int, float]:
    rng = random.Random(seed)
    kills = 0
    while True:
        began = time.perf_counter()
        child = os.fork()
        if child == 0:
            _do_round(Path(folder))
        status = _killed_after(child, rng.uniform(0, longest))
        if os.WIFEXITED(status):
            assert os.WEXITSTATUS(status) == 0, f"a round ended with {os.WEXITSTATUS(status)}"
            return kills, time.perf_counter() - began
        kills += 1


def _killed_after(child: int, seconds: float) -> int:
    """Kill a process unless it ends before; how it ended."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return status
        time.sleep(0.001)
    os.kill(child, signal.SIGKILL)
    return os.waitpid(child, 0)[1]


def _do_round(folder: Path) -> None:
    status = STATUS_OF_A_FAULT
    try:
        rounds.run(load(folder), NOW)
        status = 0
    finally:
        os._exit(status)


def run_commands(arguments: list[list[str]], most: int | None) -> list[tuple[int, str, str]]:
    def little_room() -> None:
        if most is not None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))

    with tempfile.TemporaryDirectory() as place:
        children = [_start(one, Path(place) / str(number), little_room) for number, one in enumerate(arguments)]
        ends = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
        told = [_told(Path(place) / str(number)) for number in range(len(ends))]
    return [(status, out, err) for status, (out, err) in zip(ends, told, strict=True)]


def measure_command(arguments: list[str], most: int, seconds: int) -> tuple[int, str, str, int]:
    def bounded() -> None:
        whole = most + _held_bytes()
        resource.setrlimit(resource.RLIMIT_DATA, (whole, whole))
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.alarm(seconds)

    with tempfile.TemporaryDirectory() as place:
        _, status, used = os.wait4(_start(arguments, Path(place) / "0", bounded), 0)
        out, err = _told(Path(place) / "0")
    return os.waitstatus_to_exitcode(status), out, err, used.ru_maxrss * 1024


def _held_bytes() -> int:
    """What this process counts of memory already, by the measure of RLIMIT_DATA."""
    told = Path("/proc/self/status").read_text()
    return int(told.partition("VmData:")[2].split()[0]) * 1024


def _told(place: Path) -> tuple[str, str]:
    return Path(f"{place}.out").read_text(), Path(f"{place}.err").read_text()


def _start(arguments: list[str], place: Path, prepare: Callable[[], None]) -> int:
    child = os.fork()
    if child:
        return child
    for number, end in ((1, "out"), (2, "err")):
        os.dup2(os.open(f"{place}.{end}", os.O_CREAT | os.O_WRONLY), number)
    prepare()
    status = STATUS_OF_A_FAULT
    try:
        lotdrift(arguments)
    except SystemExit as end:
        status = int(end.code or 0)
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


def warm_up() -> None:
    """Do a round here: it loads and compiles what each forked command would else load and compile again."""
    with tempfile.TemporaryDirectory() as place:
        bench = Bench(Path(place))
        # Years before whatever this computer's clock shows.
        bench.drop_tests("a.csv", lot_rows("L0", MONDAY - timedelta(weeks=312), [[10.0, 11.0]]))
        done = CliRunner().invoke(lotdrift, ["run", "--json", "--lab", place])
        assert done.exit_code == 0, done.output
    gc.collect()
    gc.freeze()


def obey(order: dict[str, Any]) -> object:
    if order["do"] == "kill":
        return kill_rounds(order["folder"], order["seed"], order["longest"])
    if order["do"] == "warm up":
        return warm_up()
    if order["do"] == "measure":
        return measure_command(order["arguments"], order["most"], order["seconds"])
    return run_commands(order["arguments"], order.get("bytes"))


if __name__ == "__main__":
    gc.freeze()
    for line in sys.stdin:
        sys.stdout.write(json.dumps(obey(json.loads(line))) + "\n")
        sys.stdout.flush()
