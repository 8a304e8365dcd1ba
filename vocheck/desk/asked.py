"""What a browser sends: checked before anything is done with it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from vocheck.errors import SessionError

if TYPE_CHECKING:
    from starlette.requests import Request


async def asked(request: Request) -> Mapping[str, Any]:
    """Return the object that a request holds.

    Raises
    ------
    SessionError
        If it holds none.
    """
    try:
        sent = json.loads(await request.body())
    except (ValueError, RecursionError) as error:
        raise SessionError("what was sent is no JSON") from error
    if not isinstance(sent, dict):
        raise SessionError("what was sent is no object")
    return sent


def text_of_field(sent: Mapping[str, Any], name: str) -> str:
    """Return the text of a field; empty where there is none.

    Raises
    ------
    SessionError
        If it holds something else.
    """
    value = sent.get(name, "")
    if not isinstance(value, str):
        raise SessionError(f"{name} is no text")
    return value


def texts_of_field(sent: Mapping[str, Any], name: str) -> list[str]:
    """Return the texts of a field; none where there is none.

    Raises
    ------
    SessionError
        If it holds something else.
    """
    value = sent.get(name, [])
    if not isinstance(value, list) or not all(isinstance(text, str) for text in value):
        raise SessionError(f"{name} is no list of texts")
    return value
