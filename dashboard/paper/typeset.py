"""Set a paper with typst and the fonts that it brings: no browser and no system packages are needed.

Names from files reach the paper as data and are never markup. The time in the file is that of the data, so that the same
store gives the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from importlib.resources import files

from dashboard.paper.palette import as_data
from dashboard.text.no_break import unbroken_data

__all__ = ["as_pdf", "as_png"]

PIXELS_AN_INCH = 144.0


def as_pdf(package: str, template: str, data: Mapping[str, object], drawn_up_at: str) -> bytes:
    """Return the PDF of a paper.

    Parameters
    ----------
    package, template : str
        Where the template lies. It is read behind `paper.typ`, which sets what all papers share.
    data : mapping
        What the template reads as `d`; has `lab`, `heading` (at the right of the first line), `foot_left` and `foot_right`.
    drawn_up_at : str
        ISO 8601 time of the data.
    """
    import typst

    source = (
        files("dashboard.paper").joinpath("paper.typ").read_bytes() + files(package).joinpath(template).read_bytes()
    )
    return bytes(
        typst.compile(
            source,
            sys_inputs={"data": json.dumps(unbroken_data({**data, "colours": as_data()}))},
            ignore_system_fonts=True,
            timestamp=datetime.fromisoformat(drawn_up_at).replace(microsecond=0),
        )
    )


def as_png(package: str, template: str, data: Mapping[str, str]) -> bytes:
    """Return a picture as PNG, which every mail program shows; the template reads `data` as `sys.inputs`."""
    import typst

    source = files(package).joinpath(template).read_bytes()
    return bytes(
        typst.compile(source, format="png", ppi=PIXELS_AN_INCH, sys_inputs=dict(data), ignore_system_fonts=True)
    )
