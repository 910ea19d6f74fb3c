"""What the server answers where it will not do as asked."""

from __future__ import annotations

from typing import Any


class Refused(Exception):
    """A request that is turned down: an HTTP status (RFC 9110), one line, perhaps a field.

    Parameters
    ----------
    status : 4xx.
    line : what is wrong, for the user.
    field : the field at fault, where there is one.
    more : further entries of the JSON answer.
    """

    def __init__(self, status: int, line: str, field: str | None = None, **more: Any) -> None:
        super().__init__(line)
        self.status = status
        self.record = {"error": " ".join(line.split()), "field": field, **more}


def not_found(line: str) -> Refused:
    """There is no such thing."""
    return Refused(404, line)
