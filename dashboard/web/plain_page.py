"""A small page without scripts: the login, and the answer to a form that was refused."""

from __future__ import annotations

from flask import Response
from markupsafe import Markup, escape

__all__ = ["plain_page"]


def plain_page(title: str, heading: str, content: Markup, status: int = 200) -> Response:
    """A page of one heading and its content; title and heading are text, `content` is markup already escaped."""
    page = (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f'<title>{escape(title)} · lotdrift</title><link rel="icon" href="/_favicon.ico">'
        '<link rel="stylesheet" href="/assets/lotdrift.css">'
        '<header class="masthead"><a class="mark" href="/">lotdrift</a></header>'
        f"<main><h1>{escape(heading)}</h1>{content}</main></html>"
    )
    return Response(page, status=status, mimetype="text/html")
