"""One polite conversation with the service: one request at a time, patient, never fooled.

Everything that can go wrong on the wire is mapped here, and only here, to
:class:`~poolbuilder.errors.SourceError`.
"""

from __future__ import annotations

import base64
import itertools
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

from poolbuilder.errors import OfflineError, SourceError, fault, said
from poolbuilder.settings import Settings

if TYPE_CHECKING:
    import requests

log = logging.getLogger(__name__)

SOURCE = "occurrence service"
DEFAULT_URL = "https://api.gbif.org/v1"
"""GBIF's public API, an open data service."""

DOWNLOAD_HOSTS = {"api.gbif.org": {"occurrence-download.gbif.org"}}
"""Hosts that a service is known to keep its prepared archives on; reached without credentials."""

BUSY = {429: "asks us to slow down", 500: "fails", 502: "fails", 503: "is busy", 504: "fails"}
"""Answers after which the same request may succeed later."""

MOVED = {301, 302, 303, 307, 308}
MOST_REDIRECTS = 5
CHUNK = 1 << 16
LONGEST_WAIT_S = 10**9
EXPLAINED = (400, 401, 403, 404, 413)
"""Refusals with a remedy of their own."""
DEEPEST = 60
"""Levels of nesting that an answer may have; the service's own have under ten."""

_ACCOUNT = re.compile(r"(?<=//)[^/@\s]*@|(?<=['\" (])[^/@\s'\"]+:[^/@\s'\"]*@")


class Fault(Exception):
    """A failure after which the same request is worth another try."""

    def __init__(self, fact: str, *, retry_after: str | None = None) -> None:
        self.fact = fact
        self.retry_after = retry_after
        super().__init__(fact)


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What one request brought.

    Attributes
    ----------
    url : str
        The address asked, parameters included.
    value : object
        The parsed JSON; the text of a POST; None for a file that went to a stream.
    body : bytes
        Unpacked, as it came.
    wire_bytes : int
        Bytes that came over the wire.
    """

    url: str
    value: Any
    body: bytes = b""
    wire_bytes: int = 0


_Read = Callable[["requests.Response"], Answer]


def failure(url: str, fact: str, remedy: str) -> SourceError:
    """The error of a request, without any account that an address in it may hold."""
    where = f"{SOURCE} {url}" if url else SOURCE
    return SourceError(_ACCOUNT.sub("***@", f"{where}: {fact} ({remedy})"), source=SOURCE, url=url)


def parsed(body: bytes) -> Any:
    """The JSON of an answer; a ValueError when it is none."""
    try:
        return json.loads(body)
    except RecursionError as error:
        raise ValueError(said("nested_too_deep")) from error


def oddity(value: Any) -> str | None:
    """What in an answer no table can hold, in words: huge whole numbers, half characters, deep nesting."""
    waiting = [(value, 0)]
    while waiting:
        item, depth = waiting.pop()
        if isinstance(item, str):
            if not item.isascii() and any("\ud800" <= letter <= "\udfff" for letter in item):
                return said("half_character_lone")
        elif isinstance(item, int):
            if not -(2**63) <= item < 2**63:
                return said("whole_number_about", bit_length=item.bit_length() * 0.301)
        elif isinstance(item, dict | list):
            if depth == DEEPEST:
                return f"more than {DEEPEST} levels of nesting"
            inner = item if isinstance(item, list) else [*item, *item.values()]
            waiting.extend((part, depth + 1) for part in inner)
    return None


def unlike_object(value: Any) -> str | None:
    """Why an answer that should be an object is none, or None."""
    return None if isinstance(value, dict) else said("answers_json_not")


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
        raise failure("", *fault("address_not_web", address=url))
    bare = parts._replace(netloc=parts.netloc.rpartition("@")[2])
    if bare != parts:
        raise failure(urlunsplit(bare), *fault("address_user_name"))
    return urlunsplit(bare._replace(query="", fragment="")).rstrip("/")


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
        if self._session is not None:
            self._session.close()
            self._session = None

    def get(
        self,
        path: str,
        params: Mapping[str, Any] | None = None,
        *,
        unlike: Callable[[Any], str | None] = unlike_object,
        aside: Callable[[bytes], None] = lambda body: None,
    ) -> Answer:
        """Ask for JSON below the base address.

        An answer that cannot be used, or holds a value that no table can hold, is asked for again.
        Where such a value comes back in the very same answer, it is what the service holds.

        Parameters
        ----------
        unlike : callable, optional
            Says of the parsed answer why it has not the documented shape, or None.
        aside : callable, optional
            Given the bytes of each answer that could not be used.

        Raises
        ------
        OfflineError
            When the client is offline.
        SourceError
            When the service refuses, or still fails after the last attempt.
        """
        came: set[bytes] = set()

        def read(response: requests.Response) -> Answer:
            body = self._whole(response)
            if body.lstrip()[:1] == b"<":
                raise Fault(said("answers_web_page"))
            try:
                value = parsed(body)
                fact = unlike(value)
            except ValueError:
                value, fact = None, said("answers_something_not")
            odd = None if fact or body in came else oddity(value)
            if fact or odd:
                came.add(body)
                aside(body)
                raise Fault(fact or f"the answer holds {odd}")
            return Answer(url=str(response.url), value=value, body=body, wire_bytes=response.raw.tell())

        return self._patiently("GET", self.base_url + path, read, params=dict(params or {}))

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
            raise failure(url, *fault("account_would_go"))
        token = base64.b64encode(":".join(auth).encode()).decode()
        self._secrets = tuple({token, *auth, *(quote(part, safe="") for part in auth)} - {""})

        def read(response: requests.Response) -> Answer:
            text = self._whole(response).decode(errors="replace").strip().strip('"')
            return Answer(url=url, value=self.hidden(text))

        return str(self._patiently("POST", url, read, json=body, auth=auth, attempts=1).value)

    def download(self, url: str, sink: Any, *, most_bytes: int) -> None:
        """Bring a file, in pieces, into the seekable binary stream *sink*; no credentials are sent.

        Raises
        ------
        SourceError
            When the file lies on a host that the service is not known to use, or is bigger than
            *most_bytes*.
        """
        url = self._joined(self.base_url + "/", url, archive=True)

        def read(response: requests.Response) -> Answer:
            sink.seek(0)
            sink.truncate()
            for piece in self._pieces(response):
                if sink.tell() + len(piece) > most_bytes:
                    raise failure(url, *fault("archive_bigger_bytes", most_bytes=most_bytes))
                sink.write(piece)
            return Answer(url=url, value=None)

        self._patiently("GET", url, read, archive=True)

    def hidden(self, text: str) -> str:
        """A text of the service without the account, should it repeat it."""
        for secret in sorted(self._secrets, key=len, reverse=True):
            text = text.replace(secret, "***")
        return text

    # ------------------------------------------------------------------ attempts

    def _patiently(
        self, method: str, url: str, read: _Read, *, attempts: int = 0, archive: bool = False, **options: Any
    ) -> Answer:
        """Ask until it works, the service refuses, or patience ends."""
        if self.offline:
            fact, remedy = said("request_needed_but", address=url), said("leave_out_offline")
            raise OfflineError(f"{SOURCE}: {fact} ({remedy})", source=SOURCE, url=url)
        first, longest = self.settings.service_wait_s, self.settings.service_max_wait_s
        most = attempts or int(self.settings.service_attempts)
        for turn in itertools.count(1):
            try:
                return self._once(method, url, read, archive=archive, **options)
            except Fault as last:
                asked = _asked_s(last.retry_after)
                if turn == most or asked > longest:
                    times = "once" if turn == 1 else f"{turn} times"
                    remedy = said("check_network_address")
                    if asked > longest:
                        remedy = said("asks_come_back", asked=asked)
                    fact = self.hidden(last.fact)
                    told = fault("asked_in_vain", fact=fact, times=times, remedy_given=remedy)
                    raise failure(url, *told) from last
                wait = max(min(first * 2 ** (turn - 1), longest), asked)
                log.info("%s: %s; trying again in %.0f s", SOURCE, last.fact, wait)
                self._sleep(wait)
        raise AssertionError("unreachable")

    def _once(self, method: str, url: str, read: _Read, *, archive: bool, **options: Any) -> Answer:
        """One attempt, redirects on the same host included."""
        limit_s = self.settings.download_max_hours * 3600 if archive else 3 * self.settings.service_timeout_s
        with self._watch.limit(limit_s):
            for _ in range(MOST_REDIRECTS + 1):
                with self._opened(method, url, **options) as response:
                    if response.status_code not in MOVED:
                        self._judge(response)
                        return read(response)
                    url = self._joined(url, response.headers.get("Location", ""), archive=archive)
                    options = {"json": options.get("json")}  # neither parameters nor an account go along
        raise failure(url, *fault("sends_address_next", most_redirects=MOST_REDIRECTS))

    def _joined(self, here: str, there: str, *, archive: bool) -> str:
        """The address that *there* means, seen from *here*, if it may be followed.

        It must be on the service's host, or on one that it keeps archives on, and as secure as before.
        """
        home = urlsplit(self.base_url).hostname or ""
        allowed = {home} | (DOWNLOAD_HOSTS.get(home, set()) if archive else set())
        try:
            target = urljoin(here, there)
            parts = urlsplit(target)
            host = parts.hostname
        except ValueError:
            host = None
        if host is None:
            raise failure(here, *fault("sends_us_no", there=there[:100]))
        if host not in allowed or (urlsplit(here).scheme == "https" and parts.scheme != "https"):
            raise failure(here, *fault("sends_us_another", scheme=parts.scheme, host=host[:100]))
        return target

    def _judge(self, response: requests.Response) -> None:
        """Raise for every status but success."""
        status = response.status_code
        if 200 <= status < 300:
            return
        reason = " ".join(self.hidden(self._whole(response).decode(errors="replace")).split())[:300]
        if status in BUSY:
            raise Fault(f"{BUSY[status]} (status {status})", retry_after=response.headers.get("Retry-After"))
        remedy = said(f"refused_{status}" if status in EXPLAINED else "refused_otherwise")
        told = fault("refused_status", status=status, reason=reason or "no reason given", remedy_given=remedy)
        raise failure(str(response.url), *told)

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
            raise Fault(said("answers_unknown_packing", packed=packed[:40]))
        unpacker = zlib.decompressobj(wbits=47) if packed in {"gzip", "deflate"} else None
        body = bytearray()
        for piece in self._pieces(response):
            try:
                body += unpacker.decompress(piece, limit + 1 - len(body)) if unpacker else piece
            except zlib.error as error:
                raise Fault(said("answer_cannot_unpacked")) from error
            if len(body) > limit:
                most = self.settings.max_answer_mib
                raise failure(str(response.url), *fault("answer_unpacks_more", max_answer_mib=most))
        if unpacker and not unpacker.eof:
            raise Fault(said("connection_cut_packed"))
        return bytes(body)

    @contextmanager
    def _opened(self, method: str, url: str, **options: Any) -> Iterator[requests.Response]:
        """Open one response; map what the library raises, while reading too."""
        import requests
        import urllib3

        timeout_s = self.settings.service_timeout_s
        # Without an account of our own, a .netrc file would add a password.
        options["auth"] = options.get("auth") or (lambda request: request)
        if self._session is None:
            self._session = _session(self._watch)
        try:
            with self._session.request(
                method, url, timeout=timeout_s, allow_redirects=False, stream=True, **options
            ) as response:
                yield response
        except requests.exceptions.ProxyError as error:
            raise Fault(said("proxy_does_not", error=_why(error))) from error
        except requests.exceptions.SSLError as error:
            self._watch.check()

            raise failure(url, *fault("secure_connection_fails", error=_why(error))) from error
        except (requests.exceptions.Timeout, urllib3.exceptions.TimeoutError, TimeoutError) as error:
            raise Fault(f"no answer within {timeout_s:g} s") from error
        except requests.exceptions.ConnectionError as error:
            self._watch.check()
            raise Fault(f"no connection: {_why(error)}") from error
        except (
            requests.exceptions.ChunkedEncodingError, urllib3.exceptions.HTTPError, ConnectionError
        ) as error:  # fmt: skip
            self._watch.check()
            raise Fault(said("connection_cut", error=_why(error))) from error
        except (requests.exceptions.RequestException, UnicodeError) as error:
            raise failure(url, _why(error), said("refused_404")) from error


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
            raise Fault(said("answer_trickles_not", late_s=self._late_s))

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

    import poolbuilder

    class Adapter(HTTPAdapter):
        def get_connection_with_tls_context(self, *args: Any, **options: Any) -> Any:
            pool = super().get_connection_with_tls_context(*args, **options)
            plain = type(pool).ConnectionCls

            class Watched(plain):  # type: ignore[misc, valid-type]
                def getresponse(self) -> Any:
                    watch.over(self.sock)
                    return super().getresponse()

            pool.ConnectionCls = Watched
            return pool

    class Session(requests.Session):
        def get_redirect_target(self, resp: requests.Response) -> None:
            """No address: the library would read one, and the whole body, before we could judge it."""

    session = Session()
    session.mount("http://", Adapter())
    session.mount("https://", Adapter())
    about = f"poolbuilder/{poolbuilder.__version__} (requests in turn)"
    session.headers.update({"User-Agent": about, "Accept": "application/json", "Accept-Encoding": "gzip"})
    return session


def _asked_s(value: str | None) -> float:
    """Seconds that a Retry-After header asks for (RFC 9110, section 10.2.3); 0 where it cannot be read."""
    from urllib3.exceptions import InvalidHeader
    from urllib3.util.retry import Retry

    retry = Retry()
    retry.retry_after_max = LONGEST_WAIT_S  # never undercut: longer than our patience ends it

    try:
        return 0.0 if value is None else float(retry.parse_retry_after(value[:300]))
    except (InvalidHeader, ArithmeticError, LookupError, TypeError, ValueError, OSError):
        return 0.0


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
