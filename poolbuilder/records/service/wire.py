"""Reading answers as they come over the wire: judged, bounded, unpacked."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from json import loads
from typing import TYPE_CHECKING, Any

from poolbuilder.errors import SourceError
from poolbuilder.settings import Settings

if TYPE_CHECKING:
    import requests

__all__ = ["SOURCE", "Fault", "Reader"]

SOURCE = "occurrence service"

BUSY = frozenset({429, 500, 502, 503, 504})
"""Answers after which the same request may succeed later."""

CHUNK = 1 << 16


class Fault(Exception):
    """A failure after which the same request is worth another try."""

    def __init__(self, words: str, *, retry_after: str | None = None) -> None:
        self.words = words
        self.retry_after = retry_after
        super().__init__(words)


@dataclass
class Reader:
    """Reads bodies and counts their bytes; raises Fault for what may pass, SourceError for what will not."""

    settings: Settings
    monotonic: Callable[[], float]
    wire_bytes: int = 0

    def judge(self, response: requests.Response) -> None:
        """Raise for every status but success."""
        status = response.status_code
        if 200 <= status < 300:
            return
        deadline = self.monotonic() + self.settings.service_timeout_s
        said = " ".join(self.whole(response, deadline).decode(errors="replace").split())[:300]
        if status in BUSY:
            reason = {429: "asks us to slow down", 503: "is busy"}.get(status, "fails")
            raise Fault(f"{reason} (status {status})", retry_after=response.headers.get("Retry-After"))
        remedy = {
            400: "the request is not one that the service accepts",
            401: "check the user name and password in the environment",
            403: "the service does not allow this",
            404: "check the service address",
            413: "the request is too long",
        }.get(status, "the service does not accept the request")
        raise SourceError(
            f"{SOURCE} {response.url}: refused with status {status}: {said or 'no reason given'} ({remedy})",
            source=SOURCE,
            url=str(response.url),
        )

    def pieces(self, response: requests.Response, deadline: float | None) -> Iterator[bytes]:
        """The body as it comes over the wire, still packed."""
        while True:
            piece = response.raw.read(CHUNK, decode_content=False)
            if not piece:
                return
            self.wire_bytes += len(piece)
            if deadline is not None and self.monotonic() > deadline:
                raise Fault(f"the answer trickles: not whole after {3 * self.settings.service_timeout_s:g} s")
            yield piece

    def whole(self, response: requests.Response, deadline: float | None) -> bytes:
        """The unpacked body, never more than the limit."""
        limit = int(self.settings.max_answer_mib * (1 << 20))
        packed = response.headers.get("Content-Encoding", "").lower()
        if packed not in {"", "identity", "gzip", "deflate"}:
            raise Fault(f"answers in an unknown packing {packed!r}")
        unpacker = zlib.decompressobj(wbits=47) if packed in {"gzip", "deflate"} else None
        body = bytearray()
        try:
            for piece in self.pieces(response, deadline):
                body += unpacker.decompress(piece, limit + 1 - len(body)) if unpacker else piece
                if len(body) > limit:
                    raise SourceError(
                        f"{SOURCE} {response.url}: the answer unpacks to more than "
                        f"{self.settings.max_answer_mib:g} MiB "
                        "(not read further; raise maxAnswerMib if you trust the service)",
                        source=SOURCE,
                        url=str(response.url),
                    )
        except zlib.error as error:
            raise Fault("the answer cannot be unpacked") from error
        if unpacker and not unpacker.eof:
            raise Fault("the connection was cut: the packed answer ends early")
        return bytes(body)

    def json(self, response: requests.Response, deadline: float | None) -> tuple[Any, bytes]:
        """The body as JSON, and as it is."""
        body = self.whole(response, deadline)
        if body.lstrip()[:1] == b"<":
            raise Fault("answers with a web page, not with data: a proxy, a log-in page or a wrong address")
        try:
            return loads(body), body
        except ValueError as error:
            raise Fault("answers with something that is not JSON, or only the start of it") from error

    def text(self, response: requests.Response, deadline: float | None) -> tuple[str, bytes]:
        """The body as text, and as it is."""
        body = self.whole(response, deadline)
        return body.decode(errors="replace").strip().strip('"'), body
