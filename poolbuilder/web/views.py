"""What the page answers: the forms, a pool, its files, two pools, a fish, notes; and how it is served."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import html
import io
import json
import re
import socket
import tempfile
from collections import defaultdict
from collections.abc import AsyncIterator, Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import shapely
import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route

from poolbuilder import pages, words
from poolbuilder.errors import InputError, PoolBuilderError, PoolFileError, SiteError, said
from poolbuilder.files import private_folder, write_whole
from poolbuilder.fish import notes
from poolbuilder.fish.answer import drawing, identify, render, write_specimen
from poolbuilder.fish.characters import TraitTable, read_traits
from poolbuilder.fish.reasons import Specimen
from poolbuilder.job import Job
from poolbuilder.names.checklist import Checklist
from poolbuilder.names.reader import read_taxon
from poolbuilder.pages import pool_page
from poolbuilder.places.base_map import CREDIT, Place, find_places
from poolbuilder.places.regions import region_name, regions_at
from poolbuilder.places.sites import WATER_TYPES, Site
from poolbuilder.pool import Pool
from poolbuilder.records.statements import WHAT, read_catch, read_statements
from poolbuilder.records.store import Store
from poolbuilder.web.builds import Build, Builds, Fetching
from poolbuilder.web.workspace import HOST, Asked, Guard, Waters, Workspace, read_form, read_token, slug

WIDEST_BASE_KM = 900.0
MOST_MATCHES = 12
DOWNLOADS = (
    ("pool.csv", "CSV"),
    ("pool.json", "JSON"),
    ("pool.gpkg", "GeoPackage"),
    ("report.html", "report"),
)
_POLICY = re.compile(r'-Policy" content="([^"]*)">')


def shown(text: str, status: int = 200) -> Response:
    """A page with its policy as a header too."""
    policy = _POLICY.search(text)
    headers = {"content-security-policy": html.unescape(policy[1])} if policy else None
    return Response(text, status_code=status, headers=headers, media_type="text/html")


def page(
    template: str, *, scripts: tuple[str, ...] = (), status: int = 200, data: Any = None, **values: Any
) -> Response:
    """A page with the report's style and this page's, which may send forms to this server."""
    text = pages.fill(
        template,
        styles=("web.css",),
        scripts=scripts,
        mapped=bool(scripts),
        allowed=pages.OWN_FORMS,
        data=data if isinstance(data, str) else pages.as_script(data or {}),
        **values,
    )
    return shown(text, status)


def posted(answer: Callable[[QueryParams], Response]) -> Callable[[Request], Any]:
    """A view of a form that was sent."""

    async def view(request: Request) -> Response:
        return await run_in_threadpool(answer, await read_form(request))

    return view


def moved(address: str) -> Response:
    """Go there; Back then leads to where the form was."""
    return RedirectResponse(address, status_code=303)


class Views:
    """The answers of one page."""

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace
        self.builds = Builds()
        self.waters = Waters(path=workspace.waters, start=workspace.plan())

    def routes(self) -> list[Route]:
        """The addresses that are answered; GET where nothing else is said."""
        return [
            Route("/", self.ask),
            Route("/pool", self.pool),
            Route("/list", self.kept),
            Route("/status", self.status),
            Route("/base", self.base),
            Route("/file/{key}/{name}", self.file),
            Route("/compare", self.compare),
            Route("/fetch", posted(self.fetch), methods=["POST"]),
            Route("/cancel", posted(self.cancel), methods=["POST"]),
            Route("/waters", posted(self.keep), methods=["POST"]),
        ]

    # -------------------------------------------------------------- the form

    def ask(self, request: Request) -> Response:
        """The form, the map to click on, the list of waters and the pools built so far."""
        return self.form(
            Asked.blank(self.workspace, request.query_params), find=request.query_params.get("find", "")
        )

    def trouble(self, request: Request, error: Exception) -> Response:
        """The form with what went wrong."""
        status = 404 if isinstance(error, PoolFileError) else 422
        return self.form(Asked.blank(self.workspace, request.query_params), status, str(error))

    def form(self, asked: Asked, status: int = 200, trouble: str = "", find: str = "") -> Response:
        """The form with what was typed, faults beside their fields, and what was found under a name."""
        sites, drawn = [], self.workspace.drawn()
        try:
            sites = self.waters.sites()
        except PoolBuilderError as error:
            trouble = trouble or str(error)
        new = Asked.blank(self.workspace)
        again = partial(
            Asked.of_site, as_of=new.values["asOf"], checklist=new.values["checklist"], ranges=new.ranges
        )
        return page(
            "ask.html",
            status=status,
            scripts=("map_base.js", "ask.js"),
            data={**drawn, "waters": [[site.longitude, site.latitude, site.name] for site in sites]},
            space=self.workspace,
            query=asked,
            faults=asked.faults,
            trouble=trouble,
            find=find,
            matches=self.matches(asked, find, drawn["water"]) if find.strip() else None,
            kinds=WATER_TYPES,
            waters=[(site, again(site)) for site in sites],
            empty=Store(self.workspace.store).is_empty,
        )

    def matches(self, asked: Asked, find: str, outlines: list[Any]) -> list[dict[str, Any]]:
        """Named waters and towns that a text could mean; a state or country may follow a comma."""
        name, _, region = (part.strip().casefold() for part in find.partition(","))
        places = find_places(name)
        for item in outlines if name else ():
            if name in item["name"].casefold():
                point = shapely.geometry.shape(item["geometry"]).representative_point()
                places.insert(0, Place(item["name"], "water", point.x, point.y, 0))
        found = []
        for place in places:
            code = str(regions_at(place.longitude, place.latitude)[0])
            country, _, state = code.partition("-")
            where = ", ".join(dict.fromkeys(filter(None, [region_name(code), country])))
            if (
                region
                and region not in {country.casefold(), state.casefold()}
                and region not in where.casefold()
            ):
                continue
            digits = 3 if place.kind == "town" else 5  # of a town the map knows no more
            changed = {"at": f"{place.latitude:.{digits}f}, {place.longitude:.{digits}f}"}
            if place.kind != "town":
                changed["name"] = place.name
            found.append({"place": place, "where": where, "asked": asked.with_values(**changed)})
        return found[:MOST_MATCHES]

    def base(self, request: Request) -> Response:
        """What the base map holds around a place, for the map of the form."""
        asked = request.query_params
        try:
            km = min(WIDEST_BASE_KM, max(10.0, float(asked.get("km", ""))))
            digits = 0 if km > 300 else 2  # what was drawn for a place is kept for those beside it
            site = Site(
                longitude=round(float(asked.get("lon", "")), digits),
                latitude=round(float(asked.get("lat", "")), digits),
                radius_km=km,
            )
        except (ValueError, OverflowError, SiteError):
            return JSONResponse({"layers": {}, "credit": ""}, status_code=422)
        return JSONResponse({"layers": self.workspace.base(site), "credit": CREDIT})

    # -------------------------------------------------------------- builds and fetches

    def pool(self, request: Request) -> Response:
        """The pool of the address: its report, or the wait for it, or the form with its faults.

        While records are fetched for it, the address says so, and the wait is for them.
        """
        asked = Asked.read(request.query_params, self.workspace)
        if asked.job is None:
            return self.form(asked, 422)
        fetching = request.query_params.get("fetch", "")
        key = fetching or self.workspace.key(asked.job)
        ended = self.builds.forget(key)
        if not fetching and self.workspace.path(key) is not None:
            return self.result(key, asked, request.query_params.get("before", ""))
        if ended is not None and ended.state == "failed":
            return self.form(
                asked, 422, said("not_everything_fetched", error=ended.error) if fetching else ended.error
            )
        if ended is not None and ended.state == "cancelled":
            return self.form(asked, 200, said("cancelled_nothing_written"))
        build = self.builds.get(key)
        if build is None:
            if fetching:
                return moved(f"pool?{asked.address}")
            build = self.builds.start(key, asked.job, self.workspace.folder / key)
        return self.wait(build, asked, request.url.query)

    def wait(self, build: Build, asked: Asked, address: str) -> Response:
        """A page that turns into the result when a build has ended."""
        return page(
            "wait.html",
            status=202,
            scripts=("wait.js",),
            data={"key": build.key},
            key=build.key,
            site=build.job.site,
            fetching=isinstance(build.job, Fetching),
            build=build.as_dict(),
            here=address,
            address=asked.address,
        )

    def fetch(self, form: QueryParams) -> Response:
        """Begin to bring records, or the water's own layers, and go to where that is watched."""
        asked = Asked.read(form, self.workspace)
        if asked.job is None:
            return self.form(asked, 422)
        job, layers = asked.job, form.get("what") == "water"
        fetching = Fetching(
            site=job.site,
            taxa=() if layers else tuple(Checklist.load(job.checklist).genera),
            store=job.store,
            url=self.workspace.water_url if layers else self.workspace.service_url,
            settings=job.settings,
        )
        site = job.site
        text = f"{site.latitude:.4f} {site.longitude:.4f} {site.radius_km:g} {fetching.taxa} {job.store}"
        key = f"fetch-{hashlib.sha256(text.encode()).hexdigest()[:12]}"
        self.builds.forget(key)
        self.builds.start(key, fetching, self.workspace.folder / key)
        return moved(f"pool?{asked.address}&fetch={key}")

    def status(self, request: Request) -> Response:
        """How a build is doing."""
        build = self.builds.get(request.query_params.get("key", ""))
        return JSONResponse({"state": "unknown"} if build is None else build.as_dict())

    def cancel(self, form: QueryParams) -> Response:
        """Stop a build and go back to the form, its fields as they were."""
        self.builds.cancel(form.get("key", ""))
        return moved(f"./?{form.get('address', '')}")

    # -------------------------------------------------------------- pools

    def kept(self, request: Request) -> Response:
        """A pool built before, as it was, by its key."""
        key = request.query_params.get("key", "")
        return self.result(key, Asked.of_pool(self.workspace.pool(key), self.workspace), "")

    def result(self, key: str, asked: Asked, before: str) -> Response:
        """A pool, and what changed since another of the same water."""
        space = self.workspace
        pool = space.pool(key)
        earlier = space.pool(before) if before != key and space.path(before) is not None else None
        try:
            listed = any(site.name == pool.site.name for site in self.waters.sites())
        except PoolBuilderError:
            listed = False  # the form says what is wrong with the list
        return page(
            "result.html",
            scripts=pages.SCRIPTS,
            **pool_page.content(pool),
            view="whole",
            space=space,
            key=key,
            query=asked,
            downloads=DOWNLOADS,
            listed=listed,
            changes=None if earlier is None else pool_page.changes(earlier, pool),
            before=before,
        )

    def file(self, request: Request) -> Response:
        """A file of a finished pool."""
        key = request.path_params["key"]
        file = self.workspace.file(key, request.path_params["name"])
        if file is None:
            return PlainTextResponse("No such file.\n", status_code=404)
        disposition = "inline" if file.name == "report.html" else "attachment"
        return FileResponse(file, filename=f"{key}-{file.name}", content_disposition_type=disposition)

    def compare(self, request: Request) -> Response:
        """Two pools side by side."""
        keys = request.query_params.getlist("with")[:2]
        if len(keys) != 2:
            return self.form(Asked.blank(self.workspace), 422, said("choose_two_pools"))
        one, other = (self.workspace.pool(key) for key in keys)
        return page(
            "compare.html", keys=keys, changes=pool_page.changes(one, other), **pool_page.beside(one, other)
        )

    def keep(self, form: QueryParams) -> Response:
        """Put a water on the list, or take it off."""
        if form.get("remove"):
            self.waters.remove(form["remove"])
            return moved("./")
        self.waters.add(self.workspace.pool(form.get("key", "")).site)
        return moved(f"pool?{form.get('address', '')}")


# ------------------------------------------------------------------ notes on a fish, on a water

FISH_FILE = "notes.json"
FISH_DOWNLOADS = (
    ("specimen.html", "page"),
    ("posterior.csv", "posterior"),
    ("trait_evidence.csv", "evidence"),
    ("second_opinion.html", "second opinion"),
    ("field_sheet.html", "field sheet"),
)
_FISH = re.compile(r"[a-z0-9][a-z0-9-]{0,60}")
BESIDE = ("key", "f1Share")
"""Fields of the form for a fish that are not notes on it."""

ROWS = {"known": 6, "catch": 10}
"""Rows that the form for a water offers."""
COLUMNS = {
    "known": ("scientificName", "what", "date", "source"),
    "catch": ("scientificName", "individualCount"),
}
_HOURS = " for "


class Forms:
    """The forms, and what was written in them, kept in the folder of the page."""

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace

    def routes(self) -> list[Route]:
        """The addresses that are answered."""
        return [
            Route("/fish", self.fish, methods=["GET"]),
            Route("/fish", posted(self.weigh), methods=["POST"]),
            Route("/fish/{key}/{fish}/{name}", self.fish_file),
            Route("/notes", self.water, methods=["GET"]),
            Route("/notes", posted(self.keep_water), methods=["POST"]),
        ]

    # -------------------------------------------------------------- one fish

    def fish(self, request: Request) -> Response:
        """The empty form for one pool, a fish weighed before, or its notes to edit."""
        asked = request.query_params
        key = asked.get("key", "")
        folder = self._fish_folder(key, asked.get("fish") or asked.get("edit") or "")
        if folder is None:
            return self.fish_form({"key": key})
        given = dict(json.loads((folder / FISH_FILE).read_text(encoding="utf-8")))
        if "edit" in asked:
            return self.fish_form(given)
        try:
            found = _weighed(given, self.workspace.pool(key))
        except PoolBuilderError as error:
            return self.fish_form(given, trouble=str(error))
        return shown(render(found, "fish_answer.html", key=key, kept=folder.name, downloads=FISH_DOWNLOADS))

    def weigh(self, form: QueryParams) -> Response:
        """Keep the fish and go to its page, or give the form again with what is wrong."""
        given = {name: "; ".join(form.getlist(name)) for name in form}  # several states may stand on one fish
        pool = self.workspace.pool(given.get("key", ""))
        faults = _fish_faults(given, pool)
        if faults:
            return self.fish_form(given, faults)
        try:
            found = _weighed(given, pool)
            text = json.dumps(given, ensure_ascii=False, sort_keys=True, indent=1)
            name = slug(given.get("name", ""))[:40] or "fish"
            name = f"{name}-{hashlib.sha256(text.encode()).hexdigest()[:8]}"
            folder = self.workspace.folder / given["key"] / "fish" / name
            folder.parent.mkdir(exist_ok=True)
            write_specimen(found, folder)
            write_whole(folder / FISH_FILE, text)
        except PoolBuilderError as error:
            return self.fish_form(given, trouble=str(error))
        return moved(f"fish?{urlencode({'key': given['key'], 'fish': name})}")

    def fish_file(self, request: Request) -> Response:
        """A file of a fish that was weighed."""
        folder = self._fish_folder(request.path_params["key"], request.path_params["fish"])
        name = request.path_params["name"]
        if folder is None or name not in dict(FISH_DOWNLOADS) or not (folder / name).is_file():
            return PlainTextResponse("No such file.\n", status_code=404)
        return FileResponse(folder / name, filename=f"{folder.name}-{name}")

    def _fish_folder(self, key: str, fish: str) -> Path | None:
        """The folder of a fish that was weighed, or None when there is none of this name."""
        pool = self.workspace.path(key)
        if pool is None or not _FISH.fullmatch(fish):
            return None
        folder = pool / "fish" / fish
        return folder if (folder / FISH_FILE).is_file() else None

    def fish_form(
        self, given: Mapping[str, str], faults: Mapping[str, str] | None = None, trouble: str = ""
    ) -> Response:
        """The form for a fish with what was typed."""
        key = given.get("key", "")
        pool, table = self.workspace.pool(key), read_traits()
        try:
            first = [row["character"] for row in _weighed({}, pool).sheet_characters]
        except PoolBuilderError:
            first = []
        asked = {each.key: each for each in table.characters if each.kind != "ratio"}
        rest = [each for key, each in asked.items() if key not in first]
        folder = self.workspace.folder / key
        return page(
            "fish.html",
            status=422 if faults or trouble else 200,
            given=defaultdict(str, given),
            faults=faults or {},
            trouble=trouble,
            water=words.place(pool.site),
            share=f"{pool.settings.f1_share:g}",
            seen=sorted(path.parent.name for path in folder.glob(f"fish/*/{FISH_FILE}")),
            choices={"sex": notes.SEXES, "size": notes.SIZES, "breeding": tuple(notes.BREEDING)},
            measures=[(key, _plain(key)) for key in notes.measures(table)],
            first=[asked[key] for key in first if key in asked],
            counts=[each for each in rest if each.kind == "count"],
            looks=[each for each in rest if each.states],
            drawing=drawing,
        )

    # -------------------------------------------------------------- what is known of a water, and a catch

    def water(self, request: Request) -> Response:
        """The form for what is known of a water and for a catch, with what was written before."""
        asked = Asked.read(request.query_params, self.workspace)
        if asked.job is None:
            return moved(f"pool?{asked.address}")  # which says what is wrong
        given: dict[str, str] = {}
        for kind, paths in (("known", asked.job.known), ("catch", asked.job.catch)):
            for path in paths:
                for at, row in enumerate(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8")))):
                    given |= {f"{kind}-{name}-{at}": value for name, value in row.items()}
                    given |= {f"{kind}-{name}": value for name, value in row.items()}
        gear, _, hours = given.get("catch-samplingProtocol", "").partition(_HOURS)
        given |= {"catch-gear": gear, "catch-hours": hours.removesuffix(" h")}
        return self._water_form(asked, given, {})

    def keep_water(self, form: QueryParams) -> Response:
        """Keep the notes and go to the pool that uses them, or give the form again with what is wrong."""
        asked = Asked.read(form, self.workspace)
        if asked.job is None:
            raise PoolFileError.of("place_these_notes")
        given = dict(form)
        faults: dict[str, str] = {}
        kept: dict[str, str] = {}
        hours = given.get("catch-hours", "").strip()
        if hours and isinstance(notes.number(hours), str):
            faults["catch-hours"] = said("not_number_hours", hours=hours[:40])
        for kind in ROWS:
            rows = _rows(kind, given)
            for at, row in rows.items():
                faults |= _row_faults(kind, at, row, asked.job)
            kept[kind] = self._write(kind, list(rows.values())) if rows and not faults else ""
        if faults:
            return self._water_form(asked, given, faults)
        return moved(f"pool?{asked.with_values(**kept).address}")

    def _write(self, kind: str, rows: list[dict[str, str]]) -> str:
        """Keep a table under a name made of what it holds."""
        text = _table(rows)
        name = f"{kind}-{hashlib.sha256(text.encode()).hexdigest()[:12]}.csv"
        private_folder(self.workspace.notes)
        write_whole(self.workspace.notes / name, text)
        return name

    def _water_form(self, asked: Asked, given: Mapping[str, str], faults: Mapping[str, str]) -> Response:
        assert asked.job is not None
        checklist = Checklist.load(asked.job.checklist)
        return page(
            "notes.html",
            status=422 if faults else 200,
            query=asked,
            given=defaultdict(str, given),
            faults=faults,
            water=words.place(asked.job.site),
            rows=ROWS,
            what=[(kind, {"listed": said("agency_list")}.get(kind, kind)) for kind in WHAT],
            species=[checklist.vernacular(name) or name for name in checklist.species],
        )


def _plain(key: str) -> str:
    return key.removesuffix("_mm").replace("_", " ")


def _weighed(given: Mapping[str, str], pool: Pool) -> Specimen:
    table, settings = read_traits(), pool.settings
    if given.get("f1Share", "").strip():
        settings = settings.replace(f1_share=notes.number(given["f1Share"]))
    fish = notes.fish_from(_document(given, table), table, settings=settings, where="the form")
    return identify(pool, fish, table, settings=settings)


def _document(given: Mapping[str, str], table: TraitTable) -> dict[str, dict[str, Any]]:
    return notes.from_fields({key: text for key, text in given.items() if key not in BESIDE}, table)


def _fish_faults(given: Mapping[str, str], pool: Pool) -> dict[str, str]:
    """Every field that cannot be read, with what is wrong, in the words of the field."""
    table, settings = read_traits(), pool.settings
    faults: dict[str, str] = {}
    if given.get("f1Share", "").strip():
        try:
            settings = settings.replace(f1_share=notes.number(given["f1Share"]))
        except PoolBuilderError as error:
            faults["f1Share"] = str(error).replace("setting f1Share", "share of hybrids")
    document = _document(given, table)
    about = {key: document["fish"][key] for key in ("sex", "size", "breeding") if key in document["fish"]}
    length = {key: entry for key, entry in document["seen"].items() if key == notes.STANDARD_LENGTH}
    for key, entry in document["seen"].items():
        try:
            alone = {"fish": about, "seen": {**length, key: entry}}
            notes.fish_from(alone, table, settings=settings, where="the form")
        except InputError as error:
            remedy = f" ({error.remedy})" if error.remedy else ""
            faults[key] = error.fact.replace(key, _plain(key)) + remedy
    return faults


def _rows(kind: str, given: Mapping[str, str]) -> dict[int, dict[str, str]]:
    """The rows of one kind that hold something, by their number on the form."""
    shared = {}
    if kind == "catch":
        gear, hours = given.get("catch-gear", "").strip(), given.get("catch-hours", "").strip()
        shared = {
            "date": given.get("catch-date", "").strip(),
            "samplingProtocol": f"{gear}{_HOURS}{hours} h" if hours else gear,
        }
    rows = {}
    for at in range(ROWS[kind]):
        row = {name: given.get(f"{kind}-{name}-{at}", "").strip() for name in COLUMNS[kind]}
        if any(text for name, text in row.items() if name != "what"):
            rows[at] = row | shared
    return rows


def _row_faults(kind: str, at: int, row: Mapping[str, str], job: Job) -> dict[str, str]:
    """What is wrong with one row, by the field at fault: read just as the file will be."""
    faults = {}
    name = row["scientificName"]
    if name and kind == "known" and not read_taxon(name, Checklist.load(job.checklist)).accepted:
        faults[f"known-scientificName-{at}"] = said("no_species_checklist", name=name[:40])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "row.csv"
        path.write_text(_table([dict(row)]), encoding="utf-8")
        try:
            if kind == "known":
                read_statements([path], as_of=job.as_of)
            else:
                read_catch([path], site=job.site, as_of=job.as_of)
        except InputError as error:
            columns = ("date", "what", "individualCount")
            column = next(filter(error.fact.startswith, columns), "scientificName")
            where = "catch-date" if (kind, column) == ("catch", "date") else f"{kind}-{column}-{at}"
            faults[where] = error.fact.replace("individualCount", "number") + f" ({error.remedy})"
    return faults


def _table(rows: list[dict[str, str]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


# ------------------------------------------------------------------ served


def application(workspace: Workspace, *, token: str, port: int) -> Any:
    """The page as an ASGI application.

    Parameters
    ----------
    token : str
        First part of every address; requests without it get nothing.
    port : int
        The port that it is served on: requests to another Host are refused.
    """
    views = Views(workspace)

    @contextlib.asynccontextmanager
    async def lifespan(_: Any) -> AsyncIterator[None]:
        yield
        views.builds.stop()

    app = Starlette(
        routes=[Mount(f"/{token}", routes=[*views.routes(), *Forms(workspace).routes()])],
        lifespan=lifespan,
        exception_handlers={PoolBuilderError: views.trouble},
    )
    return Guard(app, token=token, port=port)


def serve(workspace: Workspace, *, port: int = 0, ready: Callable[[str], None] | None = None) -> None:
    """Serve the page on 127.0.0.1 until it is interrupted.

    Parameters
    ----------
    port : int
        0 takes any free port.
    ready : callable, optional
        Told the whole address, token included, once the page can be opened.

    Raises
    ------
    PoolBuilderError
        When the port is taken or the folder cannot be written.
    """
    try:
        Path(workspace.folder).mkdir(parents=True, exist_ok=True)
        token = read_token(workspace.folder)
    except OSError as error:
        raise PoolBuilderError.of(
            "cannot_written_choose", folder=workspace.folder, why=error.strerror
        ) from error
    with contextlib.closing(socket.socket(socket.AF_INET, socket.SOCK_STREAM)) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((HOST, port))
        except OSError as error:
            raise PoolBuilderError.of("port_cannot_used", port=port, why=error.strerror) from error
        port = listener.getsockname()[1]
        app = application(workspace, token=token, port=port)
        server = uvicorn.Server(
            uvicorn.Config(app, log_level="warning", access_log=False, server_header=False, ws="none")
        )
        listener.listen(128)
        if ready is not None:
            ready(f"http://{HOST}:{port}/{token}/")
        server.run(sockets=[listener])
