"""A process that has the program loaded and forks rounds, so that many can be killed in little time."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

__all__ = ["Forked", "command"]


def command(folder: Path, times: int = 1) -> dict[str, object]:
    return {"do": "command", "arguments": [["run", "--json", "--lab", str(folder)]] * times}


class Forked:
    """The process that forks rounds; it has done one itself unless it is `cold`."""

    def __init__(self, *, cold: bool = False) -> None:
        here = Path(__file__).parent
        paths = os.pathsep.join([str(here.parent), str(here.parents[1])])
        self.process = subprocess.Popen(
            [sys.executable, str(here / "forkedrounds.py")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": paths, "OMP_NUM_THREADS": "1"},
        )
        if not cold:
            self.ask(do="warm up")

    def ask(self, **order: object) -> Any:
        self.start(**order)
        return self.answer()

    def start(self, **order: object) -> None:
        assert self.process.stdin is not None
        print(json.dumps(order), file=self.process.stdin, flush=True)

    def answer(self) -> Any:
        assert self.process.stdout is not None
        return json.loads(self.process.stdout.readline())

    def run(self, folder: Path, *, times: int = 1, most: int | None = None) -> list[tuple[int, str, str]]:
        """`lotdrift run` at the same time, so many times: status, output, errors."""
        order = command(folder, times) | {"bytes": most}
        return [(status, out, err) for status, out, err in self.ask(**order)]

    def end(self) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        assert self.process.wait(timeout=60) == 0
        self.process.stdout.close()
