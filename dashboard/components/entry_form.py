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


def form(subject: str, buttons: Sequence[str] | Mapping[str, str], fields: Sequence[Any] = ()) -> html.Form:
    """A form about `subject`; it needs a reason, and a name where nobody is logged in. It works without a script.

    `buttons` are the things to do, or map each one to the words on its button.
    """
    words = buttons if isinstance(buttons, Mapping) else {what: what for what in buttons}
    return html.Form(
        [
            hidden_field("subject", subject),
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


def field(label: str, name: str, value: str = "", **how: Any) -> html.Label:
    """A labelled line to write in."""
    return html.Label([label, dcc.Input(name=name, value=value, type=how.pop("type", "text"), **how)])


def day_field(label: str, name: str) -> html.Label:
    """A labelled line for a day, which is required."""
    return field(label, name, placeholder="2026-03-18", pattern=r"\d{4}-\d{2}-\d{2}", required=True)


def hidden_field(name: str, value: str) -> dcc.Input:
    """A value that a form sends along."""
    return dcc.Input(type="hidden", name=name, value=value)
