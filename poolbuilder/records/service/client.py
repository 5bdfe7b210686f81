"""One polite conversation with the service: one request at a time, patient, never fooled.

Everything that can go wrong on the wire is mapped here, and only here, to
:class:`~poolbuilder.errors.SourceError`.
"""

from __future__ import annotations

import base64
import json
import logging
import re
import socket
import threading
import time
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, urljoin, urlsplit, urlunsplit

from poolbuilder.errors import OfflineError, SourceError
from poolbuilder.settings import Settings

if TYPE_CHECKING:
    import requests

log = logging.getLogger(__name__)

SOURCE = "occurrence service"
DEFAULT_URL = "https://api.gbif.org/v1"
"""GBIF's public API, an open data service."""

DOWNLOAD_HOSTS = {"api.gbif.org": frozenset({"occurrence-download.gbif.org"})}
"""Hosts that a service is known to keep its prepared archives on; reached without credentials."""

BUSY = frozenset({429, 500, 502, 503, 504})
"""Answers after which the same request may succeed later."""

MOVED = frozenset({301, 302, 303, 307, 308})
MOST_REDIRECTS = 5
CHUNK = 1 << 16
LONGEST_WAIT_S = 10**9
DEEPEST = 60
"""Levels of nesting that an answer may have; the service's own have under ten."""

_REMEDIES = {
    400: "the request is not one that the service accepts",
    401: "check the user name and password in the environment",
    403: "the service does not allow this",
    404: "check the service address",
    413: "the request is too long",
}
_ACCOUNT = re.compile(r"(?<=//)[^/@\s]*@|(?<=['\" (])[^/@\s'\"]+:[^/@\s'\"]*@")


class Fault(Exception):
    """A failure after which the same request is worth another try."""

    def __init__(self, words: str, *, retry_after: str | None = None) -> None:
        self.words = words
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
        Unpacked; empty for a file that went to a stream.
    wire_bytes : int
        Bytes that came over the wire.
    """

    url: str
    body: bytes
    wire_bytes: int


def failure(url: str, fact: str, remedy: str) -> SourceError:
    """The error of a request, without any account that an address in it may hold."""
    where = f"{SOURCE} {url}" if url else SOURCE
    return SourceError(_ACCOUNT.sub("***@", f"{where}: {fact} ({remedy})"), source=SOURCE, url=url)


def parsed(body: bytes) -> Any:
    """The JSON of an answer.

    Raises
    ------
    ValueError
        When it is no JSON, or holds what nothing here could keep: see :func:`oddity`.
    """
    try:
        return json.loads(body)
    except RecursionError as error:
        raise ValueError("is nested too deep") from error


def oddity(value: Any) -> str | None:
    """What in an answer no table can hold, in words: huge whole numbers, half characters, deep nesting."""
    waiting = [(value, 0)]
    while waiting:
        item, depth = waiting.pop()
        if isinstance(item, str):
            if not item.isascii() and any("\ud800" <= letter <= "\udfff" for letter in item):
                return "half a character (a lone surrogate)"
        elif isinstance(item, int):
            if not -(2**63) <= item < 2**63:
                return f"a whole number of about {item.bit_length() * 0.301:.0f} digits"
        elif isinstance(item, dict | list):
            if depth == DEEPEST:
                return f"more than {DEEPEST} levels of nesting"
            inner = item if isinstance(item, list) else [*item, *item.values()]
            waiting.extend((part, depth + 1) for part in inner)
    return None


def unlike_object(value: Any, _: bytes = b"") -> str | None:
    """Why an answer that should be an object cannot be used, or None."""
    return oddity(value) if isinstance(value, dict) else "answers with JSON that has not the documented shape"


def text_of(value: Any, *, depth: int = 0) -> str | None:
    """Any value of an answer as text that every table and file can hold; None for nothing."""
    if value is None or depth > DEEPEST:
        return None
    if isinstance(value, str):
        return (value if value.isascii() else value.encode("utf-8", "replace").decode()) or None
    if isinstance(value, list | tuple):
        return "|".join(filter(None, (text_of(item, depth=depth + 1) for item in value))) or None
    if isinstance(value, Mapping):  # a term of a controlled vocabulary
        return text_of(value.get("concept") or value.get("title"), depth=depth + 1)
    try:
        return str(value).lower() if isinstance(value, bool) else str(value)
    except ValueError:  # a whole number of more digits than are written out
        return None


def _checked_base(url: str) -> str:
    """The base address, without a closing slash."""
    try:
        parts = urlsplit(url)
        named = parts.scheme in {"http", "https"} and bool(parts.hostname)
    except ValueError:
        named = False
    if not named:
        raise failure("", f"address {url!r} is not a web address", "write it as https://host/path")
    if parts.username or parts.password:
        bare = urlunsplit(parts._replace(netloc=parts.netloc.rpartition("@")[2]))
        remedy = "take them out; downloads read them from the environment"
        raise failure(bare, "the address holds a user name or password", remedy)
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
    account_over_http : bool
        Allow an account to be sent over a connection that anybody on the way can read.
    sleep : callable
        Waits so many seconds; replaced in tests.

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
        account_over_http: bool = False,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.base_url = _checked_base(base_url)
        self.settings = settings or Settings()
        self.offline = offline
        self.account_over_http = account_over_http
        self._sleep = sleep
        self._secrets: tuple[str, ...] = ()
        self._watch = _Watch()
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

    def get(
        self,
        path: str,
        params: Mapping[str, Any] | None = None,
        *,
        check: Callable[[Any, bytes], str | None] = lambda value, body: oddity(value),
        aside: Callable[[bytes], None] = lambda body: None,
    ) -> tuple[Any, Answer]:
        """Ask for JSON below the base address.

        Parameters
        ----------
        check : callable, optional
            Says of the parsed answer and its bytes why it cannot be used, or None; such an answer is
            asked for again.
        aside : callable, optional
            Given the bytes of each answer that could not be used.

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
        url = self.base_url + path

        def read(response: requests.Response) -> tuple[Any, bytes]:
            body = self._whole(response)
            if body.lstrip()[:1] == b"<":
                raise Fault(
                    "answers with a web page, not with data: a proxy, a log-in page or a wrong address"
                )
            try:
                value = parsed(body)
            except ValueError as error:
                aside(body)
                raise Fault("answers with something that is not JSON, or only the start of it") from error
            reason = check(value, body)
            if reason is not None:
                aside(body)
                raise Fault(reason)
            return value, body

        (value, body), url, wire_bytes = self._patiently("GET", url, read, params=dict(params or {}))
        return value, Answer(url=url, body=body, wire_bytes=wire_bytes)

    def post(self, path: str, body: Any, *, auth: tuple[str, str]) -> str:
        """Send JSON with credentials; the answer as text.

        A POST that was not refused outright is never repeated: it may have been heard.

        Raises
        ------
        SourceError
            As of :meth:`get`; and for an account over a connection that is not encrypted, unless allowed.
        """
        url = self.base_url + path
        if urlsplit(url).scheme != "https" and not self.account_over_http:
            remedy = "use an https address, or allow it with --account-over-http where nobody can listen"
            raise failure(
                url, "the account would go over a connection that anybody on the way can read", remedy
            )
        token = base64.b64encode(":".join(auth).encode()).decode()
        self._secrets = tuple({token, *auth, *(quote(part, safe="") for part in auth)} - {""})

        def read(response: requests.Response) -> str:
            return self.hidden(self._whole(response).decode(errors="replace").strip().strip('"'))

        return str(self._patiently("POST", url, read, body=body, auth=auth, attempts=1)[0])

    def download(self, url: str, sink: Any, *, most_bytes: int) -> Answer:
        """Bring a file, in pieces, into the seekable binary stream *sink*; no credentials are sent.

        Raises
        ------
        SourceError
            When the file lies on a host that the service is not known to use, or is bigger than
            *most_bytes*.
        """
        url = self._joined(self.base_url + "/", url, archive=True)

        def read(response: requests.Response) -> None:
            sink.seek(0)
            sink.truncate()
            for piece in self._pieces(response):
                if sink.tell() + len(piece) > most_bytes:
                    raise failure(url, f"the archive is bigger than {most_bytes:,} bytes", "not read further")
                sink.write(piece)

        _, url, wire_bytes = self._patiently("GET", url, read, archive=True)
        return Answer(url=url, body=b"", wire_bytes=wire_bytes)

    def hidden(self, text: str) -> str:
        """A text of the service without the account, should it repeat it."""
        for secret in sorted(self._secrets, key=len, reverse=True):
            text = text.replace(secret, "***")
        return text

    # ------------------------------------------------------------------ attempts

    def _patiently(
        self, method: str, url: str, read: Callable[[requests.Response], Any], *, attempts: int | None = None,
        **options: Any,
    ) -> tuple[Any, str, int]:  # fmt: skip
        """Ask until it works, the service refuses, or patience ends."""
        from urllib3.exceptions import MaxRetryError
        from urllib3.util.retry import Retry

        if self.offline:
            raise OfflineError(
                f"{SOURCE}: a request is needed but offline is set, asked for {url} "
                "(leave out --offline, or use what the store holds)",
                source=SOURCE,
                url=url,
            )
        first, longest = self.settings.service_wait_s, self.settings.service_max_wait_s
        most = int(attempts or self.settings.service_attempts)
        retry = Retry(total=most - 1, backoff_factor=first, backoff_max=longest)
        retry.retry_after_max = LONGEST_WAIT_S  # never undercut: longer than our patience ends it
        while True:
            try:
                return self._once(method, url, read, **options)
            except Fault as fault:
                asked = _asked_s(retry, fault.retry_after)
                try:
                    retry = retry.increment(method, url, error=fault)
                except MaxRetryError:
                    raise self._given_up(url, fault, most, asked) from fault
                if asked > longest:
                    raise self._given_up(url, fault, len(retry.history), asked) from fault
                wait = max(min(first, longest), retry.get_backoff_time(), asked)
                log.info("%s: %s; trying again in %.0f s", SOURCE, fault.words, wait)
                self._sleep(wait)

    def _given_up(self, url: str, fault: Fault, attempts: int, asked: float) -> SourceError:
        times = "once" if attempts == 1 else f"{attempts} times"
        remedy = "check the network and the address; what has arrived is kept, so the same command goes on"
        if asked > self.settings.service_max_wait_s:
            remedy = f"it asks to come back in {asked:.0f} s; the same command then goes on where it stopped"
        return failure(url, f"{self.hidden(fault.words)}, asked {times}", remedy)

    def _once(
        self, method: str, url: str, read: Callable[[requests.Response], Any], *,
        params: dict[str, Any] | None = None, body: Any = None, auth: tuple[str, str] | None = None,
        archive: bool = False,
    ) -> tuple[Any, str, int]:  # fmt: skip
        """One attempt, redirects on the same host included."""
        limit_s = self.settings.download_max_hours * 3600 if archive else 3 * self.settings.service_timeout_s
        with self._watch.limit(limit_s):
            for _ in range(MOST_REDIRECTS + 1):
                with self._asked(method, url, params=params, json=body, auth=auth or _no_account) as response:
                    if response.status_code not in MOVED:
                        self._judge(response)
                        return read(response), str(response.url), response.raw.tell()
                    url = self._joined(url, response.headers.get("Location", ""), archive=archive)
                    params, auth = None, None
        words = f"sends from one address to the next, more than {MOST_REDIRECTS} times"
        raise failure(url, words, "check the service address")

    def _joined(self, here: str, there: str, *, archive: bool) -> str:
        """The address that *there* means, seen from *here*, if it may be followed.

        It must be on the service's host, or on one that it keeps archives on, and as secure as before.
        """
        home = urlsplit(self.base_url).hostname or ""
        allowed = {home} | (DOWNLOAD_HOSTS.get(home, frozenset()) if archive else frozenset())
        try:
            target = urljoin(here, there)
            parts = urlsplit(target)
            host = parts.hostname
        except ValueError:
            host, parts = None, urlsplit("")
        if host is None:
            raise failure(here, f"sends us to {there[:100]!r}, which is no web address", "try again later")
        if host not in allowed or (urlsplit(here).scheme == "https" and parts.scheme != "https"):
            remedy = "not followed; give that address with --service-url if you trust it"
            raise failure(here, f"sends us to another host, {parts.scheme}://{host[:100]}", remedy)
        return target

    def _judge(self, response: requests.Response) -> None:
        """Raise for every status but success."""
        status = response.status_code
        if 200 <= status < 300:
            return
        words = " ".join(self.hidden(self._whole(response).decode(errors="replace")).split())[:300]
        if status in BUSY:
            reason = {429: "asks us to slow down", 503: "is busy"}.get(status, "fails")
            raise Fault(f"{reason} (status {status})", retry_after=response.headers.get("Retry-After"))
        remedy = _REMEDIES.get(status, "the service does not accept the request")
        raise failure(
            str(response.url), f"refused with status {status}: {words or 'no reason given'}", remedy
        )

    def _pieces(self, response: requests.Response) -> Iterator[bytes]:
        """The body as it comes over the wire, still packed."""
        while piece := response.raw.read(CHUNK, decode_content=False):
            yield piece
        self._watch.check()  # a connection that was shut may look like the end of the body

    def _whole(self, response: requests.Response) -> bytes:
        """The unpacked body, never more than the limit."""
        limit = int(self.settings.max_answer_mib * (1 << 20))
        packed = response.headers.get("Content-Encoding", "").lower()
        if packed not in {"", "identity", "gzip", "deflate"}:
            raise Fault(f"answers in an unknown packing {packed[:40]!r}")
        unpacker = zlib.decompressobj(wbits=47) if packed in {"gzip", "deflate"} else None
        body = bytearray()
        try:
            for piece in self._pieces(response):
                body += unpacker.decompress(piece, limit + 1 - len(body)) if unpacker else piece
                if len(body) > limit:
                    words = f"the answer unpacks to more than {self.settings.max_answer_mib:g} MiB"
                    remedy = "not read further; raise maxAnswerMib if you trust the service"
                    raise failure(str(response.url), words, remedy)
        except zlib.error as error:
            raise Fault("the answer cannot be unpacked") from error
        if unpacker and not unpacker.eof:
            raise Fault("the connection was cut: the packed answer ends early")
        return bytes(body)

    @contextmanager
    def _asked(self, method: str, url: str, **options: Any) -> Iterator[requests.Response]:
        """Open one response; map what the library raises, while reading too."""
        import requests
        import urllib3

        timeout_s = self.settings.service_timeout_s
        try:
            with self._opened().request(
                method, url, timeout=timeout_s, allow_redirects=False, stream=True, **options
            ) as response:
                yield response
        except requests.exceptions.ProxyError as error:
            raise Fault(f"the proxy does not let us through: {_why(error)}") from error
        except requests.exceptions.SSLError as error:
            self._watch.check()
            remedy = "check the date of this computer and its certificates"
            raise failure(url, f"the secure connection fails: {_why(error)}", remedy) from error
        except (requests.exceptions.Timeout, urllib3.exceptions.TimeoutError, TimeoutError) as error:
            raise Fault(f"no answer within {timeout_s:g} s") from error
        except (requests.exceptions.ConnectionError, urllib3.exceptions.NewConnectionError) as error:
            self._watch.check()
            raise Fault(f"no connection: {_why(error)}") from error
        except (
            requests.exceptions.ChunkedEncodingError, urllib3.exceptions.HTTPError, ConnectionError
        ) as error:  # fmt: skip
            self._watch.check()
            raise Fault(f"the connection was cut: {_why(error)}") from error
        except (requests.exceptions.RequestException, UnicodeError) as error:
            raise failure(url, _why(error), "check the service address") from error

    def _opened(self) -> requests.Session:
        if self._session is None:
            import poolbuilder

            self._session = _session(self._watch)
            self._session.headers.update(
                {
                    "User-Agent": f"poolbuilder/{poolbuilder.__version__} (species pools of waters; one "
                    "request at a time)",
                    "Accept": "application/json",
                    "Accept-Encoding": "gzip",
                }
            )
        return self._session


class _Watch:
    """Shuts the connection in use when time is up, so that bytes that trickle end as silence does."""

    def __init__(self) -> None:
        self._socket: socket.socket | None = None
        self._late_s: float | None = None

    @contextmanager
    def limit(self, seconds: float) -> Iterator[None]:
        """Let the requests in the block last so long at most."""
        self._late_s = None
        timer = threading.Timer(seconds, self._end, [seconds])
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()

    def over(self, used: socket.socket | None) -> None:
        """Note the connection in use."""
        self._socket = used
        if self._late_s is not None:
            self._shut()

    def check(self) -> None:
        """Raise when time is up."""
        if self._late_s is not None:
            raise Fault(f"the answer trickles: not whole after {self._late_s:g} s")

    def _end(self, seconds: float) -> None:
        self._late_s = seconds
        self._shut()

    def _shut(self) -> None:
        if self._socket is not None:
            with suppress(OSError):  # not through an SSL object, which is in use in the other thread
                socket.socket.shutdown(self._socket, socket.SHUT_RDWR)


def _session(watch: _Watch) -> requests.Session:
    """A session that follows no redirects by itself, and whose connections are watched."""
    import requests
    from requests.adapters import HTTPAdapter
    from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

    def watched(pool: Any) -> Any:
        class Connection(pool.ConnectionCls):  # type: ignore[misc]
            def connect(self) -> None:
                super().connect()
                watch.over(self.sock)

            def request(self, *args: Any, **options: Any) -> None:
                watch.over(self.sock)
                super().request(*args, **options)

        return type(pool.__name__, (pool,), {"ConnectionCls": Connection})

    pools = {"http": watched(HTTPConnectionPool), "https": watched(HTTPSConnectionPool)}

    class Adapter(HTTPAdapter):
        def init_poolmanager(self, *args: Any, **options: Any) -> None:
            super().init_poolmanager(*args, **options)
            self.poolmanager.pool_classes_by_scheme = pools

        def proxy_manager_for(self, *args: Any, **options: Any) -> Any:
            manager = super().proxy_manager_for(*args, **options)
            manager.pool_classes_by_scheme = pools
            return manager

    class Session(requests.Session):
        def get_redirect_target(self, resp: requests.Response) -> None:
            """No address: the library would read one, and the whole body, before we could judge it."""

    session = Session()
    for scheme in pools:
        session.mount(f"{scheme}://", Adapter())
    return session


def _asked_s(retry: Any, value: str | None) -> float:
    """Seconds that a Retry-After header asks for (RFC 9110, section 10.2.3); 0 where it cannot be read."""
    from urllib3.exceptions import InvalidHeader

    try:
        return 0.0 if value is None else float(min(retry.parse_retry_after(value[:300]), LONGEST_WAIT_S))
    except (InvalidHeader, ArithmeticError, LookupError, TypeError, ValueError, OSError):
        return 0.0


def _no_account(request: Any) -> Any:
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
    # The library names its own objects first: "HTTPConnection(host=..., port=...): the reason".
    return " ".join(str(inner).split()).rpartition("): ")[2][:200] or type(inner).__name__
