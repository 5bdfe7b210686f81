"""One part of a query, page by page, to its end."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from poolbuilder import geodesy
from poolbuilder.errors import SourceError
from poolbuilder.records.service.answers import Answers
from poolbuilder.records.service.client import SOURCE, Client
from poolbuilder.records.service.occurrences import checked_results
from poolbuilder.records.service.query import Part, Query

__all__ = ["PageReport", "count_part", "fetch_part"]

SEARCH = "/occurrence/search"


@dataclass
class PageReport:
    """What paging showed.

    Attributes
    ----------
    promised : int
        Records of the part by the last page's count.
    first_promised : int
        By the first page's count; the two differ when the index changed on the way.
    page_limit : int
        Smallest page that the service gave, the last one aside.
    rows : int
        Rows that arrived, repeats included.
    keys : set
        Keys of the distinct records among them.
    """

    promised: int = 0
    first_promised: int = 0
    page_limit: int = 0
    pages: int = 0
    rows: int = 0
    keys: set[Any] = field(default_factory=set)


def count_part(client: Client, query: Query, part: Part) -> int:
    """How many records the service promises for a part."""
    answer, got = client.get(SEARCH, query.params() | part.params() | {"limit": 0, "offset": 0})
    checked_results(answer, got.url)
    return int(answer["count"])


def check_area(results: list[dict[str, Any]], query: Query, url: str) -> None:
    """Stop when the service does not keep to the area: then a filter was dropped on the way.

    Raises
    ------
    SourceError
        When more than half of a page lies farther out than was asked for.
    """
    places = [
        (item["decimalLongitude"], item["decimalLatitude"])
        for item in results
        if isinstance(item.get("decimalLongitude"), int | float)
        and isinstance(item.get("decimalLatitude"), int | float)
        and abs(item["decimalLongitude"]) <= 180
        and abs(item["decimalLatitude"]) <= 90
    ]
    if not places:
        return
    lon, lat = np.array(places, dtype=float).T
    away = geodesy.distance_km(lon, lat, from_longitude=query.longitude, from_latitude=query.latitude)
    outside = int((away > query.distance_km * 1.05 + 1).sum())
    if outside > len(results) / 2:
        raise SourceError(
            f"{SOURCE} {url}: does not keep to the area asked: {outside} of {len(results)} records lie "
            "farther out "
            "(check that the service knows geoDistance, or ask with --shape polygon)",
            source=SOURCE,
            url=url,
        )


def fetch_part(
    client: Client,
    query: Query,
    part: Part,
    *,
    number: int,
    turn: int = 1,
    answers: Answers,
    take: Callable[[list[dict[str, Any]]], None] = lambda results: None,
    progress: Callable[[int], None] = lambda rows: None,
) -> PageReport:
    """Page a part to its end; keep every answer.

    The offset moves on by what arrived, not by what was asked: a service may lower the page in
    silence.  Pages that a broken fetch has kept are not asked for again.

    Parameters
    ----------
    number : int
        Which part this is, for the notes.
    turn : int
        2 when the part is paged again because records were missed the first time.
    take : callable, optional
        Given the results of every page, kept ones among them.

    Raises
    ------
    SourceError
        When the service stops early, repeats one page for ever, or the part outgrows the ceiling.
    """
    ceiling = int(client.settings.service_ceiling)
    page = int(client.settings.service_page)
    report = PageReport(page_limit=page)
    kept = {
        note["offset"]: note
        for note in answers.pages
        if (note.get("part"), note.get("turn")) == (number, turn)
    }
    offset, done = 0, False
    while not done:
        if offset >= ceiling:
            raise SourceError(
                f"{SOURCE}: a part has grown past the {ceiling:,} records that can be paged while it was "
                "fetched "
                f"(delete {answers.folder} and fetch again: it is then split anew)",
                source=SOURCE,
            )
        asked = min(page, ceiling - offset)
        if offset in kept:
            note = kept[offset]
            answer = json.loads(answers.body(note))
            url = SEARCH
        else:
            params = query.params() | part.params() | {"limit": asked, "offset": offset}
            answer, got = client.get(SEARCH, params)
            url = got.url
            results = _checked_page(answer, url, offset, asked, ceiling)
            check_area(results, query, url)
            answers.keep(
                got.body,
                kind="search",
                part=number,
                turn=turn,
                offset=offset,
                records=len(results),
                wireBytes=got.wire_bytes,
            )
        results = checked_results(answer, url)
        report.promised = int(answer["count"])
        report.first_promised = report.first_promised if report.pages else report.promised
        report.pages += 1
        report.rows += len(results)
        report.keys.update(item["key"] for item in results)
        take(results)
        offset += len(results)
        done = bool(answer.get("endOfRecords")) or not results or offset >= report.promised
        if not done:
            report.page_limit = min(report.page_limit, len(results))
        progress(report.rows)
    return report


def _checked_page(answer: Any, url: str, offset: int, asked: int, ceiling: int) -> list[dict[str, Any]]:
    """The results of a page that fits what was asked."""
    results = checked_results(answer, url)
    if answer.get("offset", offset) != offset:
        raise SourceError(
            f"{SOURCE} {url}: asked for records from {offset:,} on, got them from {answer['offset']} (the "
            "service "
            "does not page as documented; fetch with --download)",
            source=SOURCE,
            url=url,
        )
    if len(results) > asked:
        raise SourceError(
            f"{SOURCE} {url}: asked for {asked} records, got {len(results)} (the service does not page as "
            "documented)",
            source=SOURCE,
            url=url,
        )
    if not results and offset < min(int(answer["count"]), ceiling):
        raise SourceError(
            f"{SOURCE} {url}: stops at {offset:,} of {int(answer['count']):,} records (try again later: "
            "what has "
            "arrived is kept)",
            source=SOURCE,
            url=url,
        )
    return results
