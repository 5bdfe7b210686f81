"""The asynchronous download, for more records than can be paged.

Request, wait, fetch: the service prepares an archive, gives it a DOI to cite, and keeps it for
some months.  User name and password come from the environment variables
``POOLBUILDER_SERVICE_USER`` and ``POOLBUILDER_SERVICE_PASSWORD``; they are sent with the
request alone and are never written down.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from poolbuilder.errors import StoreError
from poolbuilder.files import disk_errors, write_whole
from poolbuilder.records.service.client import Client, failure, parsed, text_of, unlike_object
from poolbuilder.records.service.kept import FOLDER
from poolbuilder.records.service.search import Query

USER = "POOLBUILDER_SERVICE_USER"
PASSWORD = "POOLBUILDER_SERVICE_PASSWORD"

WAITING = frozenset({"PREPARING", "RUNNING", "SUSPENDED"})
REQUEST = "/occurrence/download/request"
_KEY = re.compile(r"[\w-]{1,100}")


@dataclass(frozen=True, kw_only=True)
class Download:
    """A prepared archive, fetched.

    Attributes
    ----------
    path : Path
        The Darwin Core Archive, ready for ``Store.add``.
    key, doi : str
        What the service knows it by, and what to cite.
    records : int
        As the service counts them.
    licence : str, optional
        Of the whole.
    """

    path: Path
    key: str
    doi: str | None
    records: int
    licence: str | None
    sha256: str

    def citation(self, day: datetime.date) -> str:
        """How to cite the download as a whole."""
        where = f"https://doi.org/{self.doi}" if self.doi else f"download {self.key}"
        return f"Occurrence download {where}, fetched on {day.isoformat()}"


def _predicate(query: Query) -> dict[str, Any]:
    """The query in the download service's own form."""
    parts: list[dict[str, Any]] = [
        {"type": "in", "key": "TAXON_KEY", "values": [key for _, key in query.taxa]},
        {"type": "equals", "key": "HAS_COORDINATE", "value": "true"},
    ]
    if query.shape == "distance":
        parts.append(
            {
                "type": "geoDistance",
                "latitude": f"{query.latitude:.4f}",
                "longitude": f"{query.longitude:.4f}",
                "distance": f"{query.distance_km}km",
            }
        )
    else:
        parts.append({"type": "within", "geometry": query.polygon_wkt()})
    if query.licences:
        parts.append({"type": "in", "key": "LICENSE", "values": list(query.licences)})
    if query.changed_since is not None:
        since = query.changed_since.isoformat()
        parts.append({"type": "greaterThanOrEquals", "key": "LAST_INTERPRETED", "value": since})
    return {"type": "and", "predicates": parts}


def download(
    client: Client,
    query: Query,
    *,
    store: Path,
    now: datetime.datetime,
    environ: Mapping[str, str],
    sleep: Callable[[float], None],
    progress: Callable[[str], None] = lambda words: None,
) -> Download:
    """Ask for an archive, wait until it is ready and bring it; or go on waiting for one asked for before.

    Parameters
    ----------
    environ : mapping
        Where the account stands.
    progress : callable, optional
        Told in words what is being waited for.

    Raises
    ------
    SourceError
        Without an account, when the service refuses, fails, or is not ready in time.
    StoreError
        When the archive cannot be kept, or is not the one promised.
    """
    digest = query.digest(client.base_url)
    since = "" if query.changed_since is None else f"-{query.changed_since:%Y%m%d}"
    folder = store / FOLDER / f"{digest}{since}-download"
    ticket = folder / "ticket.json"
    key = _asked_before(ticket) or _asked_for(client, query, environ)
    asked = {"key": key, "asked": now.isoformat(), "query": query.as_dict()}
    write_whole(ticket, json.dumps(asked, indent=1), StoreError)
    about = _awaited(client, key, ticket=ticket, sleep=sleep, progress=progress)
    fetched = _brought(client, key, about, folder)
    ticket.unlink(missing_ok=True)  # the next download of this query is a new one
    return fetched


def _asked_before(ticket: Path) -> str | None:
    try:
        key = parsed(ticket.read_bytes())["key"]
    except (OSError, ValueError, LookupError, TypeError):
        return None
    return key if isinstance(key, str) and _KEY.fullmatch(key) else None


def _asked_for(client: Client, query: Query, environ: Mapping[str, str]) -> str:
    """Have an archive prepared; its key."""
    user, password = environ.get(USER, ""), environ.get(PASSWORD, "")
    if not user or not password:
        words = f"a download needs an account, and {USER} or {PASSWORD} is not set"
        remedy = "set both in the environment: the account's user name, not its e-mail address"
        raise failure("", words, remedy)
    body = {"creator": user, "sendNotification": False, "format": "DWCA", "predicate": _predicate(query)}
    key = client.post(REQUEST, body, auth=(user, password))
    if not _KEY.fullmatch(key):
        raise failure("", f"no download key came back, got {key[:100]!r}", "try again")
    return key


def _awaited(
    client: Client,
    key: str,
    *,
    ticket: Path,
    sleep: Callable[[float], None],
    progress: Callable[[str], None],
) -> dict[str, Any]:
    """The description of a download that is ready."""
    waited = 0.0
    while True:
        about, got = client.get(f"/occurrence/download/{quote(key, safe='')}", check=unlike_object)
        status = (text_of(about.get("status")) or "unknown")[:40]
        if status == "SUCCEEDED":
            return dict(about)
        if status not in WAITING:
            ticket.unlink(missing_ok=True)
            remedy = "ask again; a narrower taxon or a smaller radius may help"
            raise failure(got.url, f"download {key} ended as {status}", remedy)
        if waited >= client.settings.download_max_hours * 3600:
            words = f"download {key} is still {status.lower()} after {waited / 3600:.1f} hours"
            raise failure(got.url, words, "the same command goes on waiting for it")
        progress(f"download {key} is {status.lower()}")
        sleep(client.settings.download_poll_s)
        waited += max(client.settings.download_poll_s, 1.0)


def _whole_number(about: dict[str, Any], name: str) -> int | None:
    """A count of the description; None where it has none."""
    value = about.get(name)
    if value is None or (isinstance(value, int) and not isinstance(value, bool) and value >= 0):
        return value
    words = f"the download's {name} is {(text_of(value) or '')[:40]!r}, which is no count"
    raise failure("", words, "try again later; the same command fetches it")


def _brought(client: Client, key: str, about: dict[str, Any], folder: Path) -> Download:
    """Fetch the archive beside, check it, then give it its name."""
    path, beside = folder / f"{key}.zip", folder / f".{key}.zip.part"
    promised, records = _whole_number(about, "size"), _whole_number(about, "totalRecords")
    link = text_of(about.get("downloadLink")) or f"{client.base_url}{REQUEST}/{key}.zip"
    if link.startswith("/"):
        link = client.base_url + link
    most = int(client.settings.max_unpacked_mib) << 20  # what is bigger could not be read
    if promised is not None and promised > most:
        remedy = "ask for a narrower taxon, or raise maxUnpackedMib"
        raise failure("", f"the archive has {promised:,} bytes, more than {most:,}", remedy)
    try:
        with disk_errors(path, StoreError), beside.open("w+b") as sink:
            client.download(link, sink, most_bytes=most)
            sink.seek(0)
            sha256 = hashlib.file_digest(sink, "sha256").hexdigest()
            size = sink.seek(0, 2)
        if promised is not None and promised != size:
            raise StoreError(
                f"{path}: the archive has {size:,} bytes, {promised:,} were promised (the same command "
                "fetches it again)"
            )
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    noted: dict[str, Any] = {
        "key": key,
        "doi": text_of(about.get("doi")),
        "records": records or 0,
        "license": text_of(about.get("license")),
        "sha256": sha256,
    }
    write_whole(folder / f"{key}.json", json.dumps(noted, indent=1), StoreError)
    licence = noted.pop("license")
    return Download(path=path, licence=licence, **noted)
