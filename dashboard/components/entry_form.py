"""The form in which a person makes an entry: the fields, name and reason, and one button for each thing to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dash import dcc, html

from dashboard.components.current_user import current_user, remembered_name
from dashboard.text.urls import RETESTS

__all__ = ["BACK", "ENTRY_PATH", "day_field", "field", "form", "hidden_field", "if_editor", "name_fields"]

ENTRY_PATH = "/entry"
LAST_DAY = "9999-12-31"
# The pages to which a form may lead back, by the word that it sends: no address from outside is followed.
BACK = {"retest": RETESTS}


def if_editor(title: str, *content: object) -> list[html.Details]:
    """Content folded away under a title; nothing for a user who may not make entries."""
    return [html.Details([html.Summary(title), *content])] if current_user().may_enter else []


def form(
    subject: str | Sequence[str] | Sequence[tuple[str, str]],
    buttons: Sequence[str] | Mapping[str, str],
    fields: Sequence[object] = (),
) -> html.Form:
    """A form about `subject`; it needs a reason, and a name where nobody is logged in. It works without a script.

    `subject` may be several subjects, of which the form is about all; where each has a name beside it, a person ticks some.
    `buttons` are the things to do, or map each one to the words on its button.
    """
    words = buttons if isinstance(buttons, Mapping) else {what: what for what in buttons}
    subjects = [subject] if isinstance(subject, str) else subject
    chosen = [one if isinstance(one, tuple) else hidden_field("subject", one) for one in subjects]
    ticks = [one for one in chosen if isinstance(one, tuple)]
    return html.Form(
        [
            *([_ticks(ticks)] if ticks else chosen),
            *fields,
            *name_fields(),
            field("reason", "reason", required=True),
            html.Div(
                [html.Button(text, type="submit", name="what", value=what) for what, text in words.items()],
                className="buttons",
            ),
        ],
        method="post",
        action=ENTRY_PATH,
        className="choose",
    )


def name_fields() -> list[html.Label]:
    """The name of the person at the browser, as it was written last; none where the person is logged in."""
    if current_user().name:
        return []
    return [field("your name", "who", remembered_name(), autoComplete="name", required=True)]


def _ticks(subjects: Sequence[tuple[str, str]]) -> html.Fieldset:
    """A box to tick for each subject; one alone is chosen."""
    if len(subjects) == 1:
        return html.Fieldset([hidden_field("subject", subjects[0][0]), html.Legend(f"About {subjects[0][1]}")])
    boxes = [
        html.Label([dcc.Input(type="checkbox", name="subject", value=subject), html.Span(name)], className="tick")
        for subject, name in subjects
    ]
    return html.Fieldset([html.Legend("About"), *boxes])


def field(label: str, name: str, value: str = "", **how: Any) -> html.Label:
    """A labelled line to write in."""
    return html.Label([label, dcc.Input(name=name, value=value, type=how.pop("type", "text"), **how)])


def day_field(label: str, name: str, *, required: bool = True) -> html.Label:
    """A labelled day with a calendar; its last day keeps a browser from taking a year of more than four digits."""
    return field(label, name, type="date", max=LAST_DAY, required=required)


def hidden_field(name: str, value: str) -> dcc.Input:
    """A value that a form sends along."""
    return dcc.Input(type="hidden", name=name, value=value)
