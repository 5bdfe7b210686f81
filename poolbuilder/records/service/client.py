"""One polite conversation with the service: one request at a time, patient, never fooled.

Everything that can go wrong on the wire is mapped here, and only here, to
:class:`~poolbuilder.errors.SourceError`.
"""

from __future__ import annotations

import datetime
import email.utils
import json
import logging
import time
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import urljoin, urlsplit, urlunsplit

from poolbuilder.errors import OfflineError, SourceError
from poolbuilder.settings import Settings

if TYPE_CHECKING:
    import requests

__all__ = ["DEFAULT_URL", "SOURCE", "Answer", "Client", "retry_after_s", "wait_s"]

log = logging.getLogger(__name__)

DEFAULT_URL = "https://api.gbif.org/v1"
"""GBIF's public API, an open data service."""

SOURCE = "occurrence service"

BUSY = frozenset({429, 500, 502, 503, 504})
"""Answers after which the same request may succeed later."""

MOVED = frozenset({301, 302, 303, 307, 308})
MOST_REDIRECTS = 5
CHUNK = 1 << 16

DOWNLOAD_HOSTS = {"api.gbif.org": frozenset({"occurrence-download.gbif.org"})}
"""Hosts that a service is known to keep its prepared archives on; reached without credentials."""


class _Fault(Exception):
    """A failure after which the same request is worth another try."""

    def __init__(self, words: str, *, status: int = 0, retry_after: str | None = None) -> None:
        self.words = words
        self.status = status
        self.retry_after = retry_after
        super().__init__(words)


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What one request brought.

    Attributes
    ----------
    url : str
        The address asked, parameters included.
    body : bytes
        Unpacked.
    wire_bytes : int
        Bytes that came over the wire.
    """

    url: str
    body: bytes
    wire_bytes: int
    content_type: str = ""


def retry_after_s(value: str | None, *, now: datetime.datetime) -> float | None:
    """Seconds that a Retry-After header asks for; a number or an HTTP date (RFC 9110, 10.2.3).

    >>> retry_after_s("7", now=datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC))
    7.0
    """
    if value is None or not value.strip():
        return None
    text = value.strip()
    if text.isascii() and text.isdigit():
        return float(text)
    try:
        when = email.utils.parsedate_to_datetime(text)
    except ValueError:
        return None
    if when.tzinfo is None:
        when = when.replace(tzinfo=datetime.UTC)
    return max(0.0, (when - now).total_seconds())


def wait_s(attempt: int, asked: float | None, *, settings: Settings) -> float | None:
    """Seconds to wait before the next attempt; None to give up.

    Parameters
    ----------
    attempt : int
        Attempts made so far, from 1.
    asked : float, optional
        What the service asked for; it is never undercut.
    """
    if attempt >= settings.service_attempts:
        return None
    if asked is not None and asked > settings.service_max_wait_s:
        return None
    own = min(settings.service_wait_s * 2.0 ** (attempt - 1), settings.service_max_wait_s)
    return max(own, asked or 0.0)


def _utc_now() -> datetime.datetime:
    return datetime.datetime.now(datetime.UTC)


def _checked_base(url: str) -> str:
    """The base address, without a closing slash."""
    parts = urlsplit(url)
    if parts.scheme not in {"http", "https"} or not parts.hostname:
        raise SourceError(
            f"service address {url!r}: not a web address (write it as https://host/path)", source=SOURCE
        )
    if parts.username or parts.password:
        bare = urlunsplit(parts._replace(netloc=parts.netloc.rpartition("@")[2]))
        raise SourceError(
            f"service address {bare}: holds a user name or password (take them out; downloads read them "
            "from the environment)",
            source=SOURCE,
            url=bare,
        )
    return urlunsplit(parts._replace(query="", fragment="")).rstrip("/")


class Client:
    """Asks the service, one request at a time.

    Parameters
    ----------
    base_url : str
        Address under which ``/species/match`` and ``/occurrence/search`` stand.
    settings : Settings
        Timeouts, attempts, waits and limits.
    offline : bool
        Refuse every request.
    sleep, monotonic, now : callables
        Time; replaced in tests.

    Raises
    ------
    SourceError
        When the address is no web address, or carries credentials.
    """

    def __init__(
        self,
        base_url: str = DEFAULT_URL,
        *,
        settings: Settings | None = None,
        offline: bool = False,
        sleep: Callable[[float], None] = time.sleep,
        monotonic: Callable[[], float] = time.monotonic,
        now: Callable[[], datetime.datetime] = _utc_now,
    ) -> None:
        self.base_url = _checked_base(base_url)
        self.settings = settings or Settings()
        self.offline = offline
        self.requests_made = 0
        self.wire_bytes = 0
        self._sleep = sleep
        self._monotonic = monotonic
        self._now = now
        self._session: requests.Session | None = None

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the connection."""
        if self._session is not None:
            self._session.close()
            self._session = None

    def get(self, path: str, params: Mapping[str, Any] | None = None) -> tuple[Any, Answer]:
        """Ask for JSON below the base address.

        Returns
        -------
        value, answer
            The parsed JSON, and the answer as it came.

        Raises
        ------
        OfflineError
            When the client is offline.
        SourceError
            When the service refuses, or still fails after the last attempt.
        """
        return self._patiently("GET", self.base_url + path, params=dict(params or {}), read=self._json)

    def post(self, path: str, body: Any, *, auth: tuple[str, str]) -> str:
        """Send JSON with credentials; the answer as text.

        A POST that was not refused outright is never repeated: it may have been heard.
        """
        text, _ = self._patiently(
            "POST", self.base_url + path, body=body, auth=auth, read=self._text, attempts=1
        )
        return str(text)

    def download(self, url: str, sink: Any) -> Answer:
        """Bring a file, in pieces, into the seekable binary stream *sink*; no credentials are sent."""

        def read(response: requests.Response, deadline: float | None) -> Any:
            sink.seek(0)
            sink.truncate()
            for piece in self._raw_pieces(response, None):
                sink.write(piece)
            return None

        return self._patiently("GET", urljoin(self.base_url + "/", url), read=read, archive=True)[1]

    # ------------------------------------------------------------------ attempts

    def _patiently(
        self,
        method: str,
        url: str,
        *,
        read: Callable[[requests.Response, float | None], Any],
        params: dict[str, Any] | None = None,
        body: Any = None,
        auth: tuple[str, str] | None = None,
        archive: bool = False,
        attempts: int | None = None,
    ) -> tuple[Any, Answer]:
        """Ask until it works, the service refuses, or patience ends."""
        if self.offline:
            raise OfflineError(
                f"{SOURCE}: a request is needed but offline is set, asked for {url} "
                "(leave out --offline, or use what the store holds)",
                source=SOURCE,
                url=url,
            )
        attempt = 0
        while True:
            attempt += 1
            try:
                return self._once(method, url, read, params=params, body=body, auth=auth, archive=archive)
            except _Fault as fault:
                asked = retry_after_s(fault.retry_after, now=self._now())
                wait = wait_s(attempt, asked, settings=self.settings)
                if wait is None or (attempts is not None and attempt >= attempts):
                    raise self._given_up(url, fault, attempt, asked) from fault
                log.info("%s: %s; trying again in %.0f s", SOURCE, fault.words, wait)
                self._sleep(wait)

    def _given_up(self, url: str, fault: _Fault, attempt: int, asked: float | None) -> SourceError:
        times = "once" if attempt == 1 else f"{attempt} times"
        remedy = "check the network and the address; what has arrived is kept, so the same command goes on"
        if asked is not None and asked > self.settings.service_max_wait_s:
            remedy = f"it asks to come back in {asked:.0f} s; the same command then goes on where it stopped"
        return SourceError(f"{SOURCE} {url}: {fault.words}, asked {times} ({remedy})", source=SOURCE, url=url)

    def _once(
        self,
        method: str,
        url: str,
        read: Callable[[requests.Response, float | None], Any],
        *,
        params: dict[str, Any] | None,
        body: Any,
        auth: tuple[str, str] | None,
        archive: bool,
    ) -> tuple[Any, Answer]:
        """One attempt, redirects on the same host included."""
        home = urlsplit(self.base_url)
        for _ in range(MOST_REDIRECTS + 1):
            with self._asked(method, url, params=params, body=body, auth=auth) as response:
                if response.status_code in MOVED:
                    url = self._next(response, home.hostname or "", archive=archive)
                    params, auth = None, None
                    continue
                self._judge(response)
                deadline = self._monotonic() + 3 * self.settings.service_timeout_s
                before = self.wire_bytes
                value = read(response, deadline)
                answer = Answer(
                    url=str(response.url),
                    body=value[1] if isinstance(value, tuple) else b"",
                    wire_bytes=self.wire_bytes - before,
                    content_type=response.headers.get("Content-Type", ""),
                )
                return (value[0] if isinstance(value, tuple) else value), answer
        raise SourceError(
            f"{SOURCE} {url}: sends from one address to the next, more than {MOST_REDIRECTS} times (check "
            "the "
            "service address)",
            source=SOURCE,
            url=url,
        )

    def _next(self, response: requests.Response, home: str, *, archive: bool) -> str:
        """The address that a redirect names, if it may be followed."""
        here, there = (
            urlsplit(str(response.url)),
            urljoin(str(response.url), response.headers.get("Location", "")),
        )
        target = urlsplit(there)
        allowed = {home, here.hostname or home}
        if archive:
            allowed |= DOWNLOAD_HOSTS.get(home, frozenset())
        if target.hostname not in allowed or (here.scheme == "https" and target.scheme != "https"):
            bare = f"{target.scheme}://{target.hostname}"
            raise SourceError(
                f"{SOURCE} {response.url}: sends us to another host, {bare} (not followed; give that address "
                "with --service-url if you trust it)",
                source=SOURCE,
                url=str(response.url),
            )
        return there

    @contextmanager
    def _asked(
        self, method: str, url: str, *, params: dict[str, Any] | None, body: Any, auth: tuple[str, str] | None
    ) -> Iterator[requests.Response]:
        """Open one response; map what the library raises, while reading too."""
        import requests
        import urllib3

        session = self._opened()
        self.requests_made += 1
        try:
            response = session.request(
                method,
                url,
                params=params,
                json=body,
                auth=auth or _no_credentials,
                timeout=self.settings.service_timeout_s,
                allow_redirects=False,
                stream=True,
            )
            with response:
                yield response
        except requests.exceptions.ProxyError as error:
            raise _Fault(f"the proxy does not let us through: {_why(error)}") from error
        except requests.exceptions.SSLError as error:
            raise SourceError(
                f"{SOURCE} {url}: the secure connection fails: {_why(error)} (check the date of this "
                "computer and "
                "its certificates)",
                source=SOURCE,
                url=url,
            ) from error
        except (requests.exceptions.Timeout, urllib3.exceptions.TimeoutError, TimeoutError) as error:
            raise _Fault(f"no answer within {self.settings.service_timeout_s:g} s") from error
        except (requests.exceptions.ConnectionError, urllib3.exceptions.NewConnectionError) as error:
            raise _Fault(f"no connection: {_why(error)}") from error
        except (
            requests.exceptions.ChunkedEncodingError,
            urllib3.exceptions.HTTPError,
            ConnectionError,
        ) as error:
            raise _Fault(f"the connection was cut: {_why(error)}") from error
        except requests.exceptions.RequestException as error:
            raise SourceError(
                f"{SOURCE} {url}: {_why(error)} (check the service address)", source=SOURCE, url=url
            ) from error

    def _opened(self) -> requests.Session:
        if self._session is None:
            import requests

            import poolbuilder

            self._session = requests.Session()
            self._session.headers.update(
                {
                    "User-Agent": f"poolbuilder/{poolbuilder.__version__} (species pools of waters; one "
                    "request at a time)",
                    "Accept": "application/json",
                    "Accept-Encoding": "gzip",
                }
            )
        return self._session

    # ------------------------------------------------------------------ reading

    def _judge(self, response: requests.Response) -> None:
        """Raise for every status but success."""
        status = response.status_code
        if 200 <= status < 300:
            return
        deadline = self._monotonic() + self.settings.service_timeout_s
        said = " ".join(self._read(response, deadline).decode(errors="replace").split())[:300]
        if status in BUSY:
            reason = {429: "asks us to slow down", 503: "is busy"}.get(status, "fails")
            raise _Fault(
                f"{reason} (status {status})", status=status, retry_after=response.headers.get("Retry-After")
            )
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

    def _raw_pieces(self, response: requests.Response, deadline: float | None) -> Iterator[bytes]:
        while True:
            piece = response.raw.read(CHUNK, decode_content=False)
            if not piece:
                return
            self.wire_bytes += len(piece)
            if deadline is not None and self._monotonic() > deadline:
                raise _Fault(
                    f"the answer trickles: not whole after {3 * self.settings.service_timeout_s:g} s"
                )
            yield piece

    def _read(self, response: requests.Response, deadline: float | None) -> bytes:
        """The unpacked body, never more than the limit."""
        limit = int(self.settings.max_answer_mib * (1 << 20))
        packed = response.headers.get("Content-Encoding", "").lower()
        if packed not in {"", "identity", "gzip", "deflate"}:
            raise _Fault(f"answers in an unknown packing {packed!r}")
        unpacker = zlib.decompressobj(wbits=47) if packed in {"gzip", "deflate"} else None
        whole = bytearray()
        try:
            for piece in self._raw_pieces(response, deadline):
                whole += unpacker.decompress(piece, limit + 1 - len(whole)) if unpacker else piece
                if len(whole) > limit:
                    raise SourceError(
                        f"{SOURCE} {response.url}: the answer unpacks to more than "
                        f"{self.settings.max_answer_mib:g} MiB "
                        "(not read further; raise maxAnswerMib if you trust the service)",
                        source=SOURCE,
                        url=str(response.url),
                    )
        except zlib.error as error:
            raise _Fault("the answer cannot be unpacked") from error
        if unpacker and not unpacker.eof:
            raise _Fault("the connection was cut: the packed answer ends early")
        return bytes(whole)

    def _json(self, response: requests.Response, deadline: float | None) -> tuple[Any, bytes]:
        body = self._read(response, deadline)
        if body.lstrip()[:1] == b"<":
            raise _Fault("answers with a web page, not with data: a proxy, a log-in page or a wrong address")
        try:
            return json.loads(body), body
        except ValueError as error:
            raise _Fault("answers with something that is not JSON, or only the start of it") from error

    def _text(self, response: requests.Response, deadline: float | None) -> tuple[str, bytes]:
        body = self._read(response, deadline)
        return body.decode(errors="replace").strip().strip('"'), body


def _no_credentials(request: Any) -> Any:
    """Send a request as it is: without this, a .netrc file would add a password."""
    return request


def _why(error: BaseException) -> str:
    """The innermost reason that the library gives, on one line."""
    inner: BaseException = error
    while True:
        wrapped = inner.args[0] if inner.args else None
        reason = getattr(inner, "reason", None) or wrapped
        if not isinstance(reason, BaseException) or reason is inner:
            break
        inner = reason
    text = " ".join(str(inner).split())
    # The library names its own objects first: "HTTPConnection(host=..., port=...): the reason".
    return text.rpartition("): ")[2][:200] or type(inner).__name__
