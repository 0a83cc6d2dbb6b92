"""Run chosen tests on a copy of the project in which one line is changed.

Each trial is a fork of a process that has the libraries loaded but nothing of the project; so a trial begins within a
tenth of a second, and nothing of one trial reaches the next.
"""

from __future__ import annotations

import importlib
import multiprocessing
import os
import shutil
import signal
import sys
import tempfile
import warnings
from collections import defaultdict
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import coverage
import pytest

__all__ = ["Baseline", "Bench", "FailingTestsError", "bench"]

NOT_COPIED = shutil.ignore_patterns(".*", "__pycache__", "demo-lab", "dist", "build")
# An endless loop ends by the clock. A test gets seconds of the processor, so a busy machine ends none; a run, which may
# wait for ever without work, gets seconds of the wall.
TEST_SECONDS = 10
RUN_SECONDS = 120
OUTPUT = "output.txt"


class FailingTestsError(Exception):
    """The tests fail, or do not run the file, before anything is changed."""


@dataclass(frozen=True, slots=True)
class Baseline:
    """The tests on the unchanged file: how long each takes, and which of them run each line."""

    seconds: Mapping[str, float]
    tests_of_line: Mapping[int, frozenset[str]]

    def order(self, lines: range) -> dict[str, tuple[bool, float, str, float]]:
        """Sort key of each test: those that run the lines first, the quick files before the slow ones."""
        near = frozenset().union(*(self.tests_of_line.get(line, frozenset()) for line in lines))
        cost: defaultdict[str, float] = defaultdict(float)
        for test in near:
            cost[test.partition("::")[0]] += self.seconds[test]
        return {
            test: (test not in near, cost[test.partition("::")[0]], test.partition("::")[0], seconds)
            for test, seconds in self.seconds.items()
        }


@dataclass(slots=True, eq=False)
class _Watch:
    """A plugin of pytest: the order of the tests, a time for each, and which one failed."""

    order: Mapping[str, tuple[bool, float, str, float]]
    known_seconds: Mapping[str, float]
    measured: coverage.Coverage | None = None
    seconds: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    failed: str = ""
    current: str = ""

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items.sort(key=lambda item: self.order.get(item.nodeid, (True, 0.0, "", 0.0)))

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self.current = item.nodeid
        if self.measured is not None:
            self.measured.switch_context(item.nodeid)
        else:
            signal.setitimer(signal.ITIMER_PROF, self._limit(item.nodeid))
        try:
            return (yield)
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)

    def _limit(self, test: str) -> float:
        """What a test shares with others of its file may be made by any of them: the longest of them sets the time."""
        file = test.partition("::")[0]
        longest = max((seconds for name, seconds in self.known_seconds.items() if name.startswith(file)), default=0.0)
        return TEST_SECONDS + 10 * longest

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.seconds[report.nodeid] += report.duration
        if report.failed and not self.failed:
            self.failed = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.failed:
            self.failed = f"the import in {report.nodeid}"


@dataclass(frozen=True, slots=True)
class Bench:
    """A copy of the project, and the files of tests that run in it."""

    tree: Path
    scratch: Path

    def baseline(self, file: str, tests: list[str]) -> Baseline:
        """Run the tests on the unchanged file; FailingTestsError where one fails or none runs the file."""
        answer = self._run(tests, {}, {}, 3600, file)
        if answer.get("code") != 0:
            raise FailingTestsError(f"{file}: the tests fail before anything is changed:\n{self._last_words()}")
        if not any(answer["tests_of_line"].values()):
            raise FailingTestsError(f"{file}: none of {', '.join(tests)} runs it; name others in files.toml")
        # What the tests load is loaded once, before the forks.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for name in answer["libraries"]:
                with suppress(Exception):
                    importlib.import_module(name)
        return Baseline(answer["seconds"], answer["tests_of_line"])

    def fate(self, file: str, text: str, lines: range, tests: list[str], baseline: Baseline) -> str:
        """`survived`, or by what the changed text was killed."""
        path = self.tree / file
        before = path.read_text(encoding="utf-8")
        path.write_text(text, encoding="utf-8")
        _forget_compiled(path)
        try:
            limit = RUN_SECONDS + 5 * sum(baseline.seconds.values())
            answer = self._run(tests, baseline.order(lines), baseline.seconds, limit)
        finally:
            path.write_text(before, encoding="utf-8")
        match answer.get("code"):
            case 0:
                return "survived"
            case 1:
                return f"killed by {answer['failed']}"
            case 2 if answer["failed"]:
                return f"killed by {answer['failed']}"
            case 2 | None:
                return f"killed by the clock in {answer.get('current') or 'the run'}"
            case 4:
                return "killed by the start of the tests"
            case code:
                raise RuntimeError(f"{file}: pytest ended with {code}; it says:\n{self._last_words()}")

    def _last_words(self) -> str:
        return (self.scratch / OUTPUT).read_text(encoding="utf-8", errors="replace")[-2000:]

    def _run(
        self,
        tests: list[str],
        order: Mapping[str, tuple[bool, float, str, float]],
        seconds: Mapping[str, float],
        limit: float,
        measured: str = "",
    ) -> dict[str, Any]:
        """The answer of a run of pytest in a fork; empty where it had to be ended."""
        context = multiprocessing.get_context("fork")
        ours, theirs = context.Pipe(duplex=False)
        process = context.Process(target=self._child, args=(theirs, tests, order, seconds, measured))
        process.start()
        theirs.close()
        answer: dict[str, Any] = {}
        with suppress(EOFError):
            if ours.poll(limit):
                answer = ours.recv()
        # Servers that a failing test left running go with it.
        with suppress(ProcessLookupError):
            os.killpg(process.pid or 0, signal.SIGKILL)
        process.join()
        return answer

    def _child(
        self,
        answer: Connection,
        tests: list[str],
        order: Mapping[str, tuple[bool, float, str, float]],
        seconds: Mapping[str, float],
        measured: str,
    ) -> None:
        os.setsid()
        signal.signal(signal.SIGPROF, signal.default_int_handler)
        self._enter()
        meter = None
        if measured:
            meter = coverage.Coverage(data_file=None, include=[str(self.tree / measured)], config_file=False)
            meter.start()
        watch = _Watch(order, seconds, meter)
        arguments = ["-x", "-q", "-p", "no:cacheprovider", "--assert=plain", f"--basetemp={self.scratch / 'base'}"]
        code = pytest.main([*arguments, *tests], plugins=[watch])
        told: dict[str, Any] = {"code": int(code), "failed": watch.failed, "current": watch.current}
        if meter is not None:
            meter.stop()
            contexts = meter.get_data().contexts_by_lineno(str(self.tree / measured))
            told["tests_of_line"] = {line: frozenset(names) - {""} for line, names in contexts.items()}
            told["seconds"] = dict(watch.seconds)
            told["libraries"] = [
                name
                for name, module in sys.modules.items()
                if "site-packages" in str(getattr(module, "__file__", None)) and not name.startswith("test")
            ]
        answer.send(told)
        # Without waiting for threads that a changed line may have left hanging.
        os._exit(0)

    def _enter(self) -> None:
        """Make the copy the project that this process and its children import."""
        os.chdir(self.tree)
        # The folder of the project may stand in the path, as an editable install puts it there; the copy goes before it.
        sys.path.insert(0, str(self.tree))
        os.environ |= {"PYTHONPATH": str(self.tree), "TMPDIR": str(self.scratch), "CI": "true"}
        tempfile.tempdir = None
        with open(self.scratch / OUTPUT, "w", encoding="utf-8") as output:  # noqa: PTH123
            os.dup2(output.fileno(), 1)
            os.dup2(output.fileno(), 2)


def _forget_compiled(path: Path) -> None:
    """Compiled code counts as new by its second and size, which a change of a sign leaves as they were."""
    for compiled in path.parent.glob(f"__pycache__/{path.stem}.*"):
        compiled.unlink()


@contextmanager
def bench(root: Path) -> Iterator[Bench]:
    """A copy of the project below `root`, gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="mutants-") as name:
        place = Path(name)
        # The server of the tests runs as another user, who has to reach its folder below.
        place.chmod(0o755)
        (place / "scratch").mkdir(mode=0o755)
        shutil.copytree(root, place / "tree", ignore=NOT_COPIED)
        yield Bench(place / "tree", place / "scratch")
