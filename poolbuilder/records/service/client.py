"""One polite conversation with the service: one request at a time, patient, never fooled.

Everything that can go wrong on the wire is mapped here, and only here, to
:class:`~poolbuilder.errors.SourceError`.
"""

from __future__ import annotations

import datetime
import email.utils
import logging
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import SplitResult, urljoin, urlsplit, urlunsplit

from poolbuilder.errors import OfflineError, SourceError
from poolbuilder.records.service.wire import SOURCE, Fault, Reader
from poolbuilder.settings import Settings

if TYPE_CHECKING:
    import requests

__all__ = ["DEFAULT_URL", "SOURCE", "Answer", "Client", "retry_after_s", "wait_s"]

log = logging.getLogger(__name__)

DEFAULT_URL = "https://api.gbif.org/v1"
"""GBIF's public API, an open data service."""

MOVED = frozenset({301, 302, 303, 307, 308})
MOST_REDIRECTS = 5

DOWNLOAD_HOSTS = {"api.gbif.org": frozenset({"occurrence-download.gbif.org"})}
"""Hosts that a service is known to keep its prepared archives on; reached without credentials."""


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
        self.reader = Reader(self.settings, monotonic)
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
        return self._patiently("GET", self.base_url + path, params=dict(params or {}), read=self.reader.json)

    def post(self, path: str, body: Any, *, auth: tuple[str, str]) -> str:
        """Send JSON with credentials; the answer as text.

        A POST that was not refused outright is never repeated: it may have been heard.
        """
        text, _ = self._patiently(
            "POST", self.base_url + path, body=body, auth=auth, read=self.reader.text, attempts=1
        )
        return str(text)

    def download(self, url: str, sink: Any) -> Answer:
        """Bring a file, in pieces, into the seekable binary stream *sink*; no credentials are sent.

        Raises
        ------
        SourceError
            When the file lies on a host that the service is not known to use.
        """
        url = urljoin(self.base_url + "/", url)
        self._stay(urlsplit(url), urlsplit(self.base_url), url, archive=True)

        def read(response: requests.Response, deadline: float | None) -> Any:
            sink.seek(0)
            sink.truncate()
            for piece in self.reader.pieces(response, None):
                sink.write(piece)
            return None

        return self._patiently("GET", url, read=read, archive=True)[1]

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
            except Fault as fault:
                asked = retry_after_s(fault.retry_after, now=self._now())
                wait = wait_s(attempt, asked, settings=self.settings)
                if wait is None or (attempts is not None and attempt >= attempts):
                    raise self._given_up(url, fault, attempt, asked) from fault
                log.info("%s: %s; trying again in %.0f s", SOURCE, fault.words, wait)
                self._sleep(wait)

    def _given_up(self, url: str, fault: Fault, attempt: int, asked: float | None) -> SourceError:
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
        for _ in range(MOST_REDIRECTS + 1):
            with self._asked(method, url, params=params, body=body, auth=auth) as response:
                if response.status_code in MOVED:
                    url = self._next(response, archive=archive)
                    params, auth = None, None
                    continue
                self.reader.judge(response)
                deadline = self._monotonic() + 3 * self.settings.service_timeout_s
                before = self.reader.wire_bytes
                value = read(response, deadline)
                answer = Answer(
                    url=str(response.url),
                    body=value[1] if isinstance(value, tuple) else b"",
                    wire_bytes=self.reader.wire_bytes - before,
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

    def _next(self, response: requests.Response, *, archive: bool) -> str:
        """The address that a redirect names, if it may be followed."""
        here = str(response.url)
        there = urljoin(here, response.headers.get("Location", ""))
        self._stay(urlsplit(there), urlsplit(here), here, archive=archive)
        return there

    def _stay(self, target: SplitResult, here: SplitResult, url: str, *, archive: bool) -> None:
        """Refuse to leave the service's host, or its known hosts of archives, or secure connections."""
        home = urlsplit(self.base_url).hostname or ""
        allowed = {home} | (DOWNLOAD_HOSTS.get(home, frozenset()) if archive else frozenset())
        if target.hostname in allowed and not (here.scheme == "https" and target.scheme != "https"):
            return
        raise SourceError(
            f"{SOURCE} {url}: sends us to another host, {target.scheme}://{target.hostname} (not followed; "
            "give "
            "that address with --service-url if you trust it)",
            source=SOURCE,
            url=url,
        )

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
            raise Fault(f"the proxy does not let us through: {_why(error)}") from error
        except requests.exceptions.SSLError as error:
            raise SourceError(
                f"{SOURCE} {url}: the secure connection fails: {_why(error)} (check the date of this "
                "computer and "
                "its certificates)",
                source=SOURCE,
                url=url,
            ) from error
        except (requests.exceptions.Timeout, urllib3.exceptions.TimeoutError, TimeoutError) as error:
            raise Fault(f"no answer within {self.settings.service_timeout_s:g} s") from error
        except (requests.exceptions.ConnectionError, urllib3.exceptions.NewConnectionError) as error:
            raise Fault(f"no connection: {_why(error)}") from error
        except (
            requests.exceptions.ChunkedEncodingError,
            urllib3.exceptions.HTTPError,
            ConnectionError,
        ) as error:
            raise Fault(f"the connection was cut: {_why(error)}") from error
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
