"""The stylesheet and the script of the pages are served and linked."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.labs import Bench
from support.people import HERE

import dashboard
from dashboard.web.app import make_app

ASSETS = Path(dashboard.__file__).parent / "assets"


@pytest.mark.parametrize("name", ["lotdrift.css", "pages.js"])
def test_every_page_links_its_stylesheet_and_script_and_the_server_has_them(bench: Bench, name: str) -> None:
    bench.run()
    client = make_app(bench.folder).server.test_client()

    with client.get(f"/assets/{name}", headers=HERE) as answer:
        assert (answer.status_code, answer.data) == (200, (ASSETS / name).read_bytes())
    assert f"/assets/{name}" in client.get("/", headers=HERE).text
