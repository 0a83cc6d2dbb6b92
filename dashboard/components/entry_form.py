"""The form in which a person makes an entry: the fields, name and reason, and one button for each thing to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dash import dcc, html

from dashboard.components.current_user import current_user

__all__ = ["ENTRY_PATH", "day_field", "field", "form", "hidden_field", "if_editor"]

ENTRY_PATH = "/entry"


def if_editor(title: str, *content: Any) -> list[html.Details]:
    """Content folded away under a title; nothing for a user who may not make entries."""
    return [html.Details([html.Summary(title), *content])] if current_user().may_enter else []


def form(
    subject: str | Sequence[tuple[str, str]], buttons: Sequence[str] | Mapping[str, str], fields: Sequence[Any] = ()
) -> html.Form:
    """A form about `subject`; it needs a reason, and a name where nobody is logged in. It works without a script.

    `subject` may be several subjects with their names, of which a person chooses. `buttons` are the things to do, or map each
    one to the words on its button.
    """
    words = buttons if isinstance(buttons, Mapping) else {what: what for what in buttons}
    chosen = hidden_field("subject", subject) if isinstance(subject, str) else _choice(subject)
    return html.Form(
        [
            chosen,
            *fields,
            *([] if current_user().name else [field("your name", "who", autoComplete="name", required=True)]),
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


def _choice(subjects: Sequence[tuple[str, str]]) -> html.Fieldset:
    """A box to tick for each subject; all are ticked where there are several, and one alone is chosen."""
    if len(subjects) == 1:
        return html.Fieldset([hidden_field("subject", subjects[0][0]), html.Legend(f"About {subjects[0][1]}")])
    return html.Fieldset(
        [
            html.Legend("About"),
            *[
                html.Label(
                    [dcc.Input(type="checkbox", name="subject", value=subject), html.Span(name)], className="tick"
                )
                for subject, name in subjects
            ],
        ]
    )


def field(label: str, name: str, value: str = "", **how: Any) -> html.Label:
    """A labelled line to write in."""
    return html.Label([label, dcc.Input(name=name, value=value, type=how.pop("type", "text"), **how)])


def day_field(label: str, name: str) -> html.Label:
    """A labelled day with a calendar; it is required."""
    return field(label, name, type="date", required=True)


def hidden_field(name: str, value: str) -> dcc.Input:
    """A value that a form sends along."""
    return dcc.Input(type="hidden", name=name, value=value)
