"""Addresses of the files that pages link to."""

from __future__ import annotations

from urllib.parse import urlencode

__all__ = ["NOTICE_PATH", "STREAM_FILE_PATH", "notice_address", "stream_file_address"]

NOTICE_PATH = "/notice-file"
STREAM_FILE_PATH = "/stream-file"


def notice_address(alert: str) -> str:
    """Where the notice about an alert is downloaded."""
    return f"{NOTICE_PATH}?{urlencode({'alert': alert})}"


def stream_file_address(names: dict[str, str]) -> str:
    """Where the figures of a stream are downloaded."""
    return f"{STREAM_FILE_PATH}?{urlencode(names)}"
