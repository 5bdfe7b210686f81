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
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from poolbuilder.errors import SourceError, StoreError
from poolbuilder.records.service.answers import keep_file
from poolbuilder.records.service.client import SOURCE, Client
from poolbuilder.records.service.query import Query

__all__ = ["PASSWORD", "USER", "Download", "download", "predicate"]

USER = "POOLBUILDER_SERVICE_USER"
PASSWORD = "POOLBUILDER_SERVICE_PASSWORD"

WAITING = frozenset({"PREPARING", "RUNNING", "SUSPENDED"})
REQUEST = "/occurrence/download/request"


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


def predicate(query: Query) -> dict[str, Any]:
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


def _credentials(environ: Mapping[str, str]) -> tuple[str, str]:
    user, password = environ.get(USER, ""), environ.get(PASSWORD, "")
    if not user or not password:
        raise SourceError(
            f"{SOURCE}: a download needs an account, and {USER} or {PASSWORD} is not set (set both in the "
            "environment: the account's user name, not its e-mail address)",
            source=SOURCE,
        )
    return user, password


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
        Where the credentials stand.
    progress : callable, optional
        Told in words what is being waited for.

    Raises
    ------
    SourceError
        Without credentials, when the service refuses, fails, or is not ready in time.
    StoreError
        When the archive cannot be kept, or is not the one promised.
    """
    digest = query.digest(client.base_url)
    since = "" if query.changed_since is None else f"-{query.changed_since:%Y%m%d}"
    folder = store / "fetches" / f"{digest}{since}-download"
    ticket = folder / "ticket.json"
    key = _asked_before(ticket)
    if key is None:
        user, password = _credentials(environ)
        body = {"creator": user, "sendNotification": False, "format": "DWCA", "predicate": predicate(query)}
        key = client.post(REQUEST, body, auth=(user, password))
        if not key or len(key) > 100 or not all(ch.isalnum() or ch in "-_" for ch in key):
            raise SourceError(
                f"{SOURCE}: no download key came back, got {key[:100]!r} (try again)", source=SOURCE
            )
        asked = {"key": key, "asked": now.isoformat(), "query": query.as_dict()}
        keep_file(ticket, json.dumps(asked, indent=1).encode())
    about = _awaited(client, key, ticket=ticket, sleep=sleep, progress=progress)
    fetched = _brought(client, key, about, folder)
    ticket.unlink(missing_ok=True)  # the next download of this query is a new one
    return fetched


def _asked_before(ticket: Path) -> str | None:
    try:
        return str(json.loads(ticket.read_bytes())["key"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


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
        about, got = client.get(f"/occurrence/download/{quote(key, safe='')}")
        status = about.get("status") if isinstance(about, dict) else None
        if status == "SUCCEEDED":
            return dict(about)
        if status not in WAITING:
            ticket.unlink(missing_ok=True)
            raise SourceError(
                f"{SOURCE}: download {key} ended as {status} (ask again; a narrower taxon or a smaller "
                "radius may "
                "help)",
                source=SOURCE,
                url=got.url,
            )
        if waited >= client.settings.download_max_hours * 3600:
            raise SourceError(
                f"{SOURCE}: download {key} is still {str(status).lower()} after {waited / 3600:.1f} hours "
                "(the same "
                "command goes on waiting for it)",
                source=SOURCE,
                url=got.url,
            )
        progress(f"download {key} is {str(status).lower()}")
        sleep(client.settings.download_poll_s)
        waited += max(client.settings.download_poll_s, 1.0)


def _brought(client: Client, key: str, about: dict[str, Any], folder: Path) -> Download:
    """Fetch the archive beside, check it, then give it its name."""
    path, beside = folder / f"{key}.zip", folder / f".{key}.zip.part"
    link = str(about.get("downloadLink") or f"{client.base_url}{REQUEST}/{key}.zip")
    if link.startswith("/"):
        link = client.base_url + link
    try:
        with beside.open("w+b") as sink:
            client.download(link, sink)
            sink.seek(0)
            sha256 = hashlib.file_digest(sink, "sha256").hexdigest()
            size = sink.seek(0, 2)
        promised = about.get("size")
        if isinstance(promised, int) and promised != size:
            raise StoreError(
                f"{path}: the archive has {size:,} bytes, {promised:,} were promised (the same command "
                "fetches it again)"
            )
        beside.replace(path)
    except OSError as error:
        raise StoreError(
            f"{path}: cannot be written: {error.strerror} (free some space; the same command fetches it "
            "again)"
        ) from error
    finally:
        beside.unlink(missing_ok=True)
    found = Download(
        path=path,
        key=key,
        doi=None if about.get("doi") is None else str(about["doi"]),
        records=int(about.get("totalRecords") or 0),
        licence=None if about.get("license") is None else str(about["license"]),
        sha256=sha256,
    )
    kept = {
        "key": key,
        "doi": found.doi,
        "records": found.records,
        "license": found.licence,
        "sha256": sha256,
    }
    keep_file(folder / f"{key}.json", json.dumps(kept, indent=1).encode())
    return found
