"""Pages without a script: the login, and the answer to a request that failed. Templates escape every value."""

from __future__ import annotations

from flask import Response

from dashboard.paper.html_page import render

__all__ = ["plain_page"]


def plain_page(template: str, heading: str, status: int = 200, **values: object) -> Response:
    """The page of a template in `web/templates/`, with its heading."""
    return Response(render(f"web/templates/{template}", heading=heading, **values), status=status, mimetype="text/html")
