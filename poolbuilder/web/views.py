"""What the page answers: the form, a pool, its files, two pools side by side, a search for a place."""

from __future__ import annotations

import hashlib
import html
import re
from collections.abc import Callable, Iterable
from functools import partial
from typing import Any

import shapely
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)
from starlette.routing import Route

from poolbuilder import pages
from poolbuilder.errors import PoolBuilderError, PoolFileError, SiteError, said
from poolbuilder.names.checklist import Checklist
from poolbuilder.pages import pool_page
from poolbuilder.places.base_map import CREDIT, Place, find_places
from poolbuilder.places.regions import region_name, regions_at
from poolbuilder.places.sites import WATER_TYPES, Site
from poolbuilder.records.store import Store
from poolbuilder.web.asked import Asked, blank, of_pool, of_site, read_asked, read_form
from poolbuilder.web.builds import Build, Builds, Fetching
from poolbuilder.web.workspace import Waters, Workspace, drawn_base, places, shapes, stamped

WIDEST_BASE_KM = 900.0
MOST_MATCHES = 12
DOWNLOADS = (
    ("pool.csv", "CSV"),
    ("pool.json", "JSON"),
    ("pool.gpkg", "GeoPackage"),
    ("report.html", "report"),
)
_POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">')


def shown(text: str, status: int = 200) -> HTMLResponse:
    """A page with its policy as a header too."""
    policy = _POLICY.search(text)
    headers = {"content-security-policy": html.unescape(policy[1])} if policy else None
    return HTMLResponse(text, status_code=status, headers=headers)


def page(
    template: str, *, scripts: tuple[str, ...] = (), status: int = 200, data: Any = None, **values: Any
) -> HTMLResponse:
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


def _same(texts: Iterable[str]) -> list[tuple[str, str]]:
    """Choices that are shown as they are."""
    return [(text, text) for text in texts]


class Views:
    """The answers of one page."""

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace
        self.builds = Builds()
        self.waters = Waters(path=workspace.waters, start=workspace.plan())
        self._drawn: dict[str, tuple[Any, list[Any]]] = {}

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
            blank(self.workspace, request.query_params), find=request.query_params.get("find", "")
        )

    def trouble(self, request: Request, error: Exception) -> Response:
        """The form with what went wrong."""
        status = 404 if isinstance(error, PoolFileError) else 422
        return self.form(blank(self.workspace, request.query_params), status, str(error))

    def form(self, asked: Asked, status: int = 200, trouble: str = "", find: str = "") -> Response:
        """The form with what was typed, faults beside their fields, and what was found under a name."""
        space, sites = self.workspace, []
        try:
            sites = self.waters.sites()
        except PoolBuilderError as error:
            trouble = trouble or str(error)
        new = blank(space)
        drawn = self.drawn()
        return page(
            "ask.html",
            status=status,
            scripts=("map_base.js", "ask.js"),
            data={**drawn, "waters": [[site.longitude, site.latitude, site.name] for site in sites]},
            query=asked,
            faults=asked.faults,
            trouble=trouble,
            find=find,
            matches=self.matches(asked, find, drawn["water"]) if find.strip() else None,
            kinds=_same(WATER_TYPES),
            checklists=_same(space.checklists),
            range_labels=list(space.range_labels()),
            waters=[
                (
                    site,
                    of_site(
                        site, as_of=new.values["asOf"], checklist=new.values["checklist"], ranges=new.ranges
                    ),
                )
                for site in sites
            ],
            results=space.results(),
            plan=space.waters.name,
            drawn="water" in space.layers,
            empty=Store(space.store).is_empty,
            service=space.service_url,
            store=asked.values["store"] or str(space.store),
            stores=_same(space.store_labels()),
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

    def drawn(self) -> dict[str, list[Any]]:
        """Records, outlines and streams for the map; read again when the store or a file changed."""
        store = Store(self.workspace.store)
        drawn = {"places": self._once("places", lambda: store.index.generation, lambda: places(store))}
        for key, purpose in (("water", "outlines"), ("streams", "flow lines")):
            spec = self.workspace.layers.get(key)
            drawn[key] = []
            if spec:
                read = partial(shapes, spec, purpose=purpose)
                drawn[key] = self._once(key, partial(stamped, spec), read)
        return drawn

    def _once(self, key: str, stamp: Callable[[], Any], read: Callable[[], list[Any]]) -> list[Any]:
        """What was read before, while its stamp is the same; nothing when it cannot be read."""
        try:
            now = stamp()
            if key not in self._drawn or self._drawn[key][0] != now:
                self._drawn[key] = (now, read())
        except PoolBuilderError:
            return []  # the build says what is wrong with it; the map does without
        return self._drawn[key][1]

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
        return JSONResponse({"layers": drawn_base(site), "credit": CREDIT})

    # -------------------------------------------------------------- builds and fetches

    def pool(self, request: Request) -> Response:
        """The pool of the address: its report, or the wait for it, or the form with its faults.

        While records are fetched for it, the address says so, and the wait is for them.
        """
        asked = read_asked(request.query_params, self.workspace)
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
        asked = read_asked(form, self.workspace)
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
        return self.result(key, of_pool(self.workspace.pool(key), self.workspace), "")

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
            key=key,
            query=asked,
            downloads=DOWNLOADS,
            checklists=space.checklists,
            range_labels=list(space.range_labels()),
            others=[item for item in space.results() if item["key"] != key],
            listed=listed,
            changes=None if earlier is None else pool_page.changes(earlier, pool),
            before=before,
        )

    def file(self, request: Request) -> Response:
        """A file of a finished pool."""
        key = request.path_params["key"]
        file = self.workspace.file(key, request.path_params["name"])
        if file is None:
            return PlainTextResponse("There is no such file.\n", status_code=404)
        disposition = "inline" if file.name == "report.html" else "attachment"
        return FileResponse(file, filename=f"{key}-{file.name}", content_disposition_type=disposition)

    def compare(self, request: Request) -> Response:
        """Two pools side by side."""
        keys = request.query_params.getlist("with")[:2]
        if len(keys) != 2:
            return self.form(blank(self.workspace), 422, said("choose_two_pools"))
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
