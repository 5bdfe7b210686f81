"""Fields of a small form that was posted."""

from __future__ import annotations

from urllib.parse import parse_qsl

from starlette.requests import Request

__all__ = ["MOST_FORM_BYTES", "read_form"]

MOST_FORM_BYTES = 64 * 1024


async def read_form(request: Request) -> dict[str, str]:
    """The fields of a small form; of a repeated one, the last; none of a form that is too long."""
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_FORM_BYTES:
            return {}
    return dict(parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True))
