"""Records of a place, from the service into the store."""

from __future__ import annotations

import dataclasses
import datetime
import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from poolbuilder.errors import OfflineError, StoreError
from poolbuilder.files import write_whole
from poolbuilder.places.sites import Site
from poolbuilder.records.service.answers import download
from poolbuilder.records.service.client import SOURCE, Client
from poolbuilder.records.service.fetches import Fetch, chain, fetch, replay
from poolbuilder.records.service.search import (
    LICENCES,
    Query,
    TaxonMatch,
    match_taxon,
    parse_licence,
    strictest,
)
from poolbuilder.records.store import Store
from poolbuilder.settings import Settings
from poolbuilder.surroundings import reach_of

Progress = Callable[[str, int, "int | None"], None]

MEMORY_MIB = 512
"""Memory for sorting records on their way into the store: a fetch is to run on a small machine."""


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What to bring for one water.

    Attributes
    ----------
    site : Site
    taxa : sequence of str
        Names of the taxa that may be candidates.
    group : sequence of str
        Names of the target group, for the measure of effort; may be empty.
    licences : sequence of str
        Licence keys to keep to; empty for all.
    shape : str
        ``distance`` or ``polygon``.
    accept_doubtful : bool
        Take fuzzy matches and matches to a higher taxon.
    spread_km : float
        Ask for records so much farther out, for other waters near.
    """

    site: Site
    taxa: Sequence[str]
    group: Sequence[str] = ()
    licences: Sequence[str] = ()
    shape: str = "distance"
    accept_doubtful: bool = False
    spread_km: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Intake:
    """What was brought, or found in the store.

    Attributes
    ----------
    matches : tuple of TaxonMatch
    fetches : tuple of Fetch
        For the taxa, then for the group.
    added, replaced : int
        Records that the store took up, and those that replaced an older version.
    """

    matches: tuple[TaxonMatch, ...]
    fetches: tuple[Fetch, ...]
    added: int = 0
    replaced: int = 0

    @property
    def complete(self) -> bool:
        """Whether every promised record arrived."""
        return all(item.complete for item in self.fetches)

    @property
    def oldest(self) -> datetime.datetime:
        """When the oldest of the fetches was made."""
        return min(item.fetched for item in self.fetches)

    @property
    def licence(self) -> str | None:
        """The most restrictive licence of all records; None without records."""
        return strictest([item.licence for item in self.fetches if item.licence is not None])

    def notes(self) -> list[str]:
        """What a careful colleague would add, each thing once."""
        return list(dict.fromkeys(note for item in self.fetches for note in item.notes))

    def datasets(self) -> list[dict[str, Any]]:
        """Data sets with their citation; the largest first."""
        found = {str(item["datasetKey"]): dict(item) for one in self.fetches for item in one.datasets}
        return sorted(found.values(), key=lambda item: (-int(item["records"]), str(item["datasetKey"])))

    def licence_words(self) -> str:
        """The most restrictive licence in words."""
        return "no records" if self.licence is None else LICENCES[self.licence]


def fetch_reach_km(site: Site, *, settings: Settings) -> float:
    """How far out records are asked for: all that is weighed, and a margin for their uncertainty."""
    return reach_of(site, settings=settings) + settings.fetch_margin_km


def next_step(
    made: Sequence[tuple[datetime.datetime, bool]], *, now: datetime.datetime, settings: Settings
) -> tuple[str, datetime.date | None]:
    """What to fetch next, from the fetches made since the last one of all records.

    Parameters
    ----------
    made : sequence of (datetime, bool)
        Time and completeness of each fetch, oldest first; the first was of all records.

    Returns
    -------
    step, since
        ``all``; ``changes`` since a day; or ``none`` when the youngest is of today.

    Examples
    --------
    >>> day = datetime.datetime(2026, 6, 1, tzinfo=datetime.UTC)
    >>> next_step([(day, True)], now=day + datetime.timedelta(days=90), settings=Settings())
    ('changes', datetime.date(2026, 5, 25))
    """
    if not made:
        return "all", None
    last, whole = made[-1]
    if last > now:  # made by a clock that was wrong, then or now
        return "all", None
    if whole and last.astimezone(now.tzinfo).date() == now.date():
        return "none", None
    if len(made) >= settings.full_fetch_every:
        return "all", None
    reliable = [time for time, complete in made if complete]
    return "changes", reliable[-1].date() - datetime.timedelta(days=settings.fetch_overlap_days)


def bring(
    client: Client,
    wanted: Wanted,
    *,
    store: Path,
    settings: Settings,
    now: datetime.datetime,
    update: bool = False,
    progress: Progress = lambda doing, done, total: None,
) -> Intake:
    """Bring the records of a water into the store.

    Parameters
    ----------
    client : Client
        When it is offline, what the store holds is looked up instead.
    now : datetime
        With time zone.
    update : bool
        Ask only for what changed since the last fetch, as :func:`next_step` says.

    Raises
    ------
    SourceError
        When the service fails, or knows no such taxon.
    OfflineError
        When the client is offline and the store holds no fetch for this place and these taxa.
    StoreError
        When the store cannot take the records.
    """
    groups = [wanted.taxa, wanted.group] if wanted.group else [wanted.taxa]
    matches: list[TaxonMatch] = []
    fetches: list[Fetch] = []
    added, replaced = 0, 0
    for names in groups:
        found, query = _asked(client, wanted, names, store=store, settings=settings)
        matches += found
        doing = f"fetching {', '.join(names)}"

        def told(done: int, expected: int, doing: str = doing) -> None:
            progress(doing, min(done, expected), expected)

        target = Store(store, memory_mib=MEMORY_MIB)
        for item in _owed(query, target, base_url=client.base_url, store=store):
            added += _taken_up(item, target)[0]
        fetches.append(_fetched(client, query, store=store, now=now, update=update, progress=told))
        taken, newer = _taken_up(fetches[-1], target)
        added, replaced = added + taken, replaced + newer
    return Intake(matches=tuple(matches), fetches=tuple(fetches), added=added, replaced=replaced)


def _taken_up(item: Fetch, into: Store) -> tuple[int, int]:
    """Add a fetch to the store; records added, and those of them that replace an older version."""
    if not item.rows and not item.withdrawn:
        return 0, 0
    result = into.add_table(item.for_store(), source=item.source, datasets=item.datasets)
    withdrawn = len(item.withdrawn) if result.read else 0
    return result.read - withdrawn, max(0, result.replaced - withdrawn)


def last_fetched(
    client: Client, wanted: Wanted, *, store: Path, settings: Settings
) -> datetime.datetime | None:
    """When a water's taxa were last fetched, without asking anybody; None when they never were."""
    try:
        matches = [_kept_match(client, name, store) for name in wanted.taxa]
    except OfflineError:
        return None
    kept = chain(_query(wanted, matches, settings=settings), base_url=client.base_url, store=store)
    return kept[-1].fetched if kept else None


def bring_archive(
    client: Client,
    wanted: Wanted,
    *,
    store: Path,
    settings: Settings,
    now: datetime.datetime,
    environ: Mapping[str, str],
    sleep: Callable[[float], None],
    progress: Callable[[str], None] = lambda words: None,
) -> list[str]:
    """Have the service prepare archives, bring them and add them to the store.

    Parameters
    ----------
    environ : mapping
        Holds the account, see :mod:`poolbuilder.records.service.answers`.

    Returns
    -------
    list of str
        What was brought, in words, with the citation.

    Raises
    ------
    SourceError, StoreError, RecordFileError
        When the service fails, the store cannot take it, or the archive cannot be read.
    """
    lines = []
    for names in [wanted.taxa, wanted.group] if wanted.group else [wanted.taxa]:
        matches, query = _asked(client, wanted, names, store=store, settings=settings)
        lines += [match.words() for match in matches]
        brought = download(
            client, query, store=store, now=now, environ=environ, sleep=sleep, progress=progress
        )
        result = Store(store).add([brought.path], settings=settings, added=now.date().isoformat())
        lines += [
            f"{', '.join(names)}: {result.read:,} records added, {brought.records:,} promised",
            f"most restrictive licence: {LICENCES[parse_licence(brought.licence)]}",
            f"cite: {brought.citation(now.date())}",
        ]
    return lines


def _asked(
    client: Client, wanted: Wanted, names: Sequence[str], *, store: Path, settings: Settings
) -> tuple[list[TaxonMatch], Query]:
    """The names as the service knows them, and the query for them."""
    matches = [_matched(client, name, store, wanted.accept_doubtful) for name in names]
    return matches, _query(wanted, matches, settings=settings)


def _query(wanted: Wanted, matches: Sequence[TaxonMatch], *, settings: Settings) -> Query:
    return Query(
        longitude=wanted.site.longitude,
        latitude=wanted.site.latitude,
        reach_km=fetch_reach_km(wanted.site, settings=settings) + wanted.spread_km,
        taxa=tuple((match.name, match.key) for match in matches),
        licences=tuple(wanted.licences),
        shape=wanted.shape,
    )


def _owed(query: Query, into: Store, *, base_url: str, store: Path) -> list[Fetch]:
    """Kept fetches that the store never took up: a run was stopped between fetching and adding."""
    known = {str(source["sha256"]) for source in into.sources()}
    kept = chain(query, base_url=base_url, store=store)
    return [item for item in kept if item.source["sha256"] not in known]


def _fetched(
    client: Client,
    query: Query,
    *,
    store: Path,
    now: datetime.datetime,
    update: bool,
    progress: Callable[[int, int], None],
) -> Fetch:
    """A new fetch, or the youngest that is kept when offline or when it is of today."""
    kept = chain(query, base_url=client.base_url, store=store)
    if client.offline:
        if not kept:
            raise OfflineError.of(
                "offline_store_no",
                source=SOURCE,
                url=client.base_url,
                store=store,
                taxa=(name for name, _ in query.taxa),
            )
        return kept[-1]
    step, since = "all", None
    if update:
        step, since = next_step(
            [(item.fetched, item.complete) for item in kept], now=now, settings=client.settings
        )
    if step == "none":
        return kept[-1]
    return fetch(client, query.replace(changed_since=since), store=store, now=now, progress=progress)


def restore_records(inputs: Sequence[Mapping[str, Any]], *, store: Path, into: Path) -> tuple[int, list[str]]:
    """Restore the records of a pool: fill an empty store with the fetches that it rests on.

    Parameters
    ----------
    inputs : sequence of mapping
        The inputs of a pool.
    store : path
        Where the answers are kept.
    into : path
        The store to fill.

    Returns
    -------
    records, others
        Records in the filled store, and the other record files that the pool rests on, in words.

    Raises
    ------
    StoreError
        When *into* holds records already, or an answer is missing or was changed.
    """
    target = Store(into, memory_mib=MEMORY_MIB)
    if not target.is_empty:
        raise StoreError.of("records_already_name", into=into)
    paths = {str(item["path"]): item for item in inputs if item.get("kind") == "records"}
    others = []
    for path, item in paths.items():
        if path.startswith("service:"):
            _taken_up(replay(path.removeprefix("service:"), store=store), target)
        else:
            others.append(f"{path} (SHA-256 {item.get('sha256', 'unknown')})")
    return target.records, others


def _match_path(client: Client, name: str, store: Path) -> Path:
    digest = hashlib.sha256(f"{client.base_url} {name}".encode()).hexdigest()[:16]
    return store / "fetches" / "taxa" / f"{digest}.json"


def _kept_match(client: Client, name: str, store: Path) -> TaxonMatch:
    try:
        return TaxonMatch(**json.loads(_match_path(client, name, store).read_bytes()))
    except (OSError, ValueError, TypeError, RecursionError) as error:
        raise OfflineError.of(
            "offline_store_does", source=SOURCE, url=client.base_url, store=store, name=name
        ) from error


def _matched(client: Client, name: str, store: Path, accept_doubtful: bool) -> TaxonMatch:
    """The service's match of a name; offline, the one that was kept."""
    if client.offline:
        return _kept_match(client, name, store)
    match = match_taxon(client, name, accept_doubtful=accept_doubtful)
    document = json.dumps(dataclasses.asdict(match), ensure_ascii=False)
    write_whole(_match_path(client, name, store), document, StoreError)
    return match
