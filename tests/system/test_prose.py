"""The words of the project: the list in `prose.toml` refuses metaphors, participles as names and data that speak."""

from __future__ import annotations

import tomllib

import pytest
from support.prose import LEFT, Rule, by_room, hits, lower_case_starts, places_in, project_places, rules

SAMPLE = '''"""The module."""

# a reason in small letters,
# over two lines

class Thing:
    """What a sister says of it."""

    asker: int = 1  # noqa: E501
    """what an attribute is"""

def show(told, *, desk_of=None):
    """Show it."""
    html.P("nothing fits")
    return "the log says so", told  # Kept
'''


def test_no_room_uses_a_refused_word_more_often_than_is_recorded_as_left() -> None:
    """The list of what is left only ever gets shorter: a new use is red, and so is a mended one that is still listed."""
    left = tomllib.loads(LEFT.read_text(encoding="utf-8"))

    assert by_room(hits()) == left, "PYTHONPATH=tests python -m support.prose --all lists the places"


def test_every_exception_in_the_list_is_still_needed_and_has_a_reason() -> None:
    idle = [
        (rule.word, pattern)
        for rule in rules()
        for pattern, reason in rule.allowed.items()
        if not reason
        or not any(rule.refuses(place) and Rule.allows(_only(rule, pattern), place) for place in project_places())
    ]

    assert idle == []


def _only(rule: Rule, pattern: str) -> Rule:
    return Rule(rule.word, rule.use, rule.reason, rule.names, rule.parts, rule.prose, {pattern: ""})


def test_every_entry_has_a_reason_and_a_better_word() -> None:
    assert all(rule.use and rule.reason and (rule.names or rule.parts or rule.prose) for rule in rules())
    assert len({rule.word for rule in rules()}) == len(rules()) > 30


def test_the_scan_reads_names_docstrings_comments_and_strings() -> None:
    places = places_in("spc/thing.py", SAMPLE)
    refusals = {(rule.word, place.kind, place.line) for rule in rules() for place in places if rule.refuses(place)}

    assert refusals >= {
        ("sister", "docstring", 7),
        ("says of, says what", "docstring", 7),
        ("asker", "name", 9),
        ("told", "name", 12),
        ("desk", "name", 12),
        ("data that speak", "string", 15),
    }
    assert [(place.kind, place.line) for place in lower_case_starts(places)] == [
        ("docstring", 10),
        ("screen", 14),
        ("comment", 3),
    ]


@pytest.mark.parametrize(
    ("file", "text", "expected"),
    [
        ("README.md", "What it rests on.\n\n```console\nthe log says so\n```\n", {("rests on", 1)}),
        ("a/b.js", 'var WORDS = "None: none comes";\n', {("none comes", 1)}),
        ("a/b.typ", "#text[held against the limit]\n", {("held against", 1)}),
        ("a/b.css", "/* what hangs on it */\n", {("hangs on", 1)}),
    ],
)
def test_the_scan_reads_documents_but_not_the_outputs_in_them(
    file: str, text: str, expected: set[tuple[str, int]]
) -> None:
    places = places_in(file, text)

    assert {(rule.word, place.line) for rule in rules() for place in places if rule.refuses(place)} == expected
