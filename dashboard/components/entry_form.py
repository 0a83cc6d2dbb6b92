"""The form in which a person enters something: who, why, and one button for each thing that may be done."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from dashboard.components.current_user import current_user

__all__ = ["ENTRY_PATH", "field", "form", "if_editor"]

ENTRY_PATH = "/entry"


def if_editor(title: str, *content: Any) -> list[html.Details]:
    """What a person may enter, folded away under a title; nothing for who may only look."""
    return [html.Details([html.Summary(title), *content])] if current_user().may_enter else []


def form(subject: str, buttons: Sequence[str], more: Sequence[Any] = ()) -> html.Form:
    """A form about `subject`; it works without a script and needs a reason, and a name where nobody is logged in."""
    return html.Form(
        [
            dcc.Input(type="hidden", name="subject", value=subject),
            *more,
            *([] if current_user().name else [field("your name", "who", autoComplete="name", required=True)]),
            field("reason", "reason", required=True),
            html.Div(
                [html.Button(what, type="submit", name="what", value=what) for what in buttons], className="buttons"
            ),
        ],
        method="post",
        action=ENTRY_PATH,
        className="choose",
    )


def field(label: str, name: str, value: str = "", **how: Any) -> html.Label:
    """A labelled line to write in."""
    return html.Label([label, dcc.Input(name=name, value=value, type=how.pop("type", "text"), **how)])
