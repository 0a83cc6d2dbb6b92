"""The Markdown documents as tests read them, and the outputs of commands that stand in them.

    PYTHONPATH=tests python -m support.documents

runs the commands of README.md and of the guide in scratch labs and writes what they print into the documents.
"""

from __future__ import annotations

import re
import shlex
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner
from markdown_it import MarkdownIt
from markdown_it.token import Token

from dashboard.cli import main

__all__ = [
    "GUIDE",
    "README",
    "ROOT",
    "Session",
    "examples",
    "rows",
    "run_demo_examples",
    "run_first_lab",
    "write_outputs",
]

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
GUIDE = ROOT / "dashboard" / "guide"
LEFT_OUT = "…"


def tokens(text: str) -> list[Token]:
    """The tokens of a Markdown text, as the guide's page reads it."""
    return MarkdownIt("commonmark", {"html": False}).enable("table").parse(text)


def rows(path: Path) -> Iterator[tuple[tuple[str, ...], list[str]]]:
    """Each body row of each table: the headings above it and its cells as they are written."""
    above: dict[int, str] = {}
    parts = tokens(path.read_text(encoding="utf-8"))
    in_body, cells = False, []
    for part, following in zip(parts, [*parts[1:], parts[-1]], strict=True):
        if part.type == "heading_open":
            level = int(part.tag[1])
            above = {one: title for one, title in above.items() if one < level} | {level: following.content}
        elif part.type in ("tbody_open", "tbody_close"):
            in_body = part.type == "tbody_open"
        elif part.type == "tr_open":
            cells = []
        elif part.type == "td_open":
            cells.append(following.content)
        elif part.type == "tr_close" and in_body:
            yield tuple(above.values()), cells


def examples(path: Path, language: str) -> Iterator[tuple[str, str]]:
    """Each fenced block of a language: what its first line names after the language, and its text."""
    for part in tokens(path.read_text(encoding="utf-8")):
        if part.type == "fence" and part.info.split()[:1] == [language]:
            yield part.info.partition(" ")[2], part.content


@dataclass(frozen=True)
class Session:
    """One command of a document, the lines that the document shows, and the lines that it printed."""

    command: str
    shown: tuple[str, ...]
    printed: tuple[str, ...]

    def agrees(self) -> bool:
        """Whether the lines shown are the printed ones; a line of an ellipsis stands for any number of lines."""
        return self.shown == _shortened(self.printed, self.shown)


def _shortened(printed: Sequence[str], shown: Sequence[str]) -> tuple[str, ...]:
    """The printed lines, left out where the document leaves lines out; `@ FIRST LAST` is a document not written yet."""
    if len(shown) == 1 and shown[0].startswith("@ "):
        first, last = (int(number) for number in shown[0].split()[1:])
    elif LEFT_OUT in shown:
        first = shown.index(LEFT_OUT)
        last = len(shown) - first - 1
    else:
        return tuple(printed)
    return (*printed[:first], LEFT_OUT, *printed[len(printed) - last :])


def commands(block: str) -> Iterator[tuple[str, tuple[str, ...]]]:
    """The commands of a block with the lines shown after each."""
    for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
        command, *shown = part.rstrip("\n").split("\n")
        yield command, tuple(shown)


def do(command: str) -> tuple[str, ...]:
    """What a command prints, run in the present folder."""
    name, *arguments = shlex.split(command)
    if name == "mkdir":
        Path(arguments[-1]).mkdir(parents=True)
        return ()
    if name == "cp":
        shutil.copy(*arguments)
        return ()
    assert name == "lotdrift"
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code in (0, 1), result.output
    return tuple(line.rstrip() for line in result.output.rstrip("\n").split("\n"))


def run_first_lab(patch: pytest.MonkeyPatch, folder: Path) -> list[Session]:
    """What README.md has a newcomer do, done in an empty folder."""
    patch.chdir(folder)
    for language in ("toml", "csv"):
        for name, text in examples(README, language):
            Path(name).parent.mkdir(exist_ok=True)
            Path(name).write_text(text, encoding="utf-8")
    sessions: list[Session] = []
    for _, block in examples(README, "console"):
        for command, shown in commands(block):
            sessions.append(Session(command, shown, do(command)))
            if command.startswith("lotdrift check"):
                _paste_source(sessions[-1].printed, Path("first-lab/lab.toml"))
    return sessions


def _paste_source(printed: Sequence[str], lab_file: Path) -> None:
    start = printed.index("[[source]]")
    with lab_file.open("a", encoding="utf-8") as file:
        file.write("\n" + "\n".join(printed[start:]) + "\n")


def run_demo_examples(patch: pytest.MonkeyPatch, lab: Path) -> list[Session]:
    """The commands that the guide shows with their output, in a demo lab."""
    patch.chdir(lab)
    shown_commands = [
        one for path in sorted(GUIDE.glob("*.md")) for _, block in examples(path, "console") for one in commands(block)
    ]
    return [Session(command, shown, do(command)) for command, shown in shown_commands]


def write_outputs(path: Path, sessions: Sequence[Session]) -> None:
    """Put what the commands printed into a document."""
    text = path.read_text(encoding="utf-8")
    for one in sessions:
        before = "\n".join([f"$ {one.command}", *one.shown])
        after = "\n".join([f"$ {one.command}", *_shortened(one.printed, one.shown)])
        text = re.sub(
            rf"^{re.escape(before)}$(?=\n(\$ |```))", lambda _, after=after: after, text, count=1, flags=re.MULTILINE
        )
    path.write_text(text, encoding="utf-8")


def main_() -> None:
    """Write the outputs of all documents."""
    from support.demolab import demo_lab
    from support.labs import at_lab_time

    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        at_lab_time(patch)
        (Path(folder) / "first").mkdir()
        write_outputs(README, run_first_lab(patch, Path(folder) / "first"))
        sessions = run_demo_examples(patch, demo_lab(Path(folder)))
        for path in GUIDE.glob("*.md"):
            write_outputs(path, sessions)
        patch.chdir(ROOT)


if __name__ == "__main__":
    main_()
