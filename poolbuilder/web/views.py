"""What the page answers: the form, a pool, its files, two pools side by side."""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any
from urllib.parse import urlencode

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)

from poolbuilder import pages
from poolbuilder.errors import PoolBuilderError, SiteError
from poolbuilder.folder import read_pool
from poolbuilder.names.checklist import Checklist
from poolbuilder.pages import pool_page
from poolbuilder.pages.pool_page import beside, changes
from poolbuilder.places.base_map import CREDIT
from poolbuilder.places.sites import WATER_TYPES, Site
from poolbuilder.pool import Pool
from poolbuilder.records.store import Store
from poolbuilder.web.builds import Builds, Fetching
from poolbuilder.web.query import Query, address, read_form, read_query
from poolbuilder.web.water_list import Waters
from poolbuilder.web.workspace import Workspace, drawn_base, places, shapes, stamped

WIDEST_BASE_KM = 900.0
DOWNLOADS = (
    ("pool.csv", "CSV"),
    ("pool.json", "JSON"),
    ("pool.gpkg", "GeoPackage"),
    ("report.html", "report"),
)


def _render(
    template: str, *, scripts: tuple[str, ...] = (), status: int = 200, data: Any = None, **values: Any
) -> HTMLResponse:
    """A page with the report's style and this page's, which may send forms to this server."""
    text = pages.fill(
        template,
        styles=("web.css",),
        scripts=scripts,
        mapped=bool(scripts),
        allowed=pages.OWN_FORMS,
        data=data if isinstance(data, Markup) else pages.as_script(data or {}),
        **values,
    )
    return HTMLResponse(text, status_code=status)


def _nothing() -> Query:
    """The form as it stands when nothing was asked for."""
    today = datetime.date.today().isoformat()
    return Query(
        values={"at": "", "name": "", "waterType": "", "radiusKm": "40", "asOf": today, "checklist": ""}
    )


class Views:
    """The answers of one page."""

    def __init__(self, workspace: Workspace, builds: Builds) -> None:
        self.workspace = workspace
        self.builds = builds
        self.waters = Waters(path=workspace.waters, start=workspace.plan())
        self._drawn: dict[str, tuple[Any, list[Any]]] = {}

    async def ask(self, request: Request) -> Response:
        """The form, the map to click on, the list of waters and the pools built so far."""
        return await run_in_threadpool(self._form, self._blank(request), 200)

    def _blank(self, request: Request) -> Query:
        given = {
            "radiusKm": "40",
            "asOf": datetime.date.today().isoformat(),
            "checklist": self.workspace.checklists[0],
            **{key: value for key, value in request.query_params.items() if key != "ranges"},
        }
        given.setdefault("at", "")
        given.setdefault("name", "")
        given.setdefault("waterType", "")
        asked = request.query_params.getlist("ranges")
        ranges = tuple(asked) if "at" in request.query_params else tuple(self.workspace.range_labels())
        return Query(values=given, ranges=ranges)

    def _form(self, query: Query, status: int, trouble: str = "") -> Response:
        faults = dict(query.faults)
        sites = []
        try:
            sites = self.waters.sites()
        except PoolBuilderError as error:
            trouble = trouble or str(error)
        results = self.workspace.results()
        today = datetime.date.today().isoformat()
        chosen = tuple(self.workspace.range_labels())
        return _render(
            "ask.html",
            status=status,
            scripts=("map_base.js", "ask.js"),
            data={
                **self._backdrop(),
                "waters": [[site.longitude, site.latitude, site.name] for site in sites],
            },
            query=query,
            faults=faults,
            water_types=WATER_TYPES,
            trouble=trouble,
            checklists=self.workspace.checklists,
            range_labels=list(self.workspace.range_labels()),
            waters=[
                {
                    "site": site,
                    "address": address(
                        site,
                        as_of=today,
                        checklist=query.values["checklist"] or self.workspace.checklists[0],
                        ranges=chosen,
                    ),
                }
                for site in sites
            ],
            results=results,
            plan=self.workspace.waters.name,
            drawn="water" in self.workspace.layers,
            empty=Store(self.workspace.store).is_empty,
            service=self.workspace.service_url,
            store=query.values.get("store") or str(self.workspace.store),
            stores=list(self.workspace.store_labels()),
        )

    def _backdrop(self) -> dict[str, list[Any]]:
        """Records, outlines and streams for the map; read again when the store or a file changed."""
        store = Store(self.workspace.store)
        drawn = {"places": self._once("places", lambda: store.index.generation, lambda: places(store))}
        for key, purpose in (("water", "outlines"), ("streams", "flow lines")):
            spec = self.workspace.layers.get(key)
            drawn[key] = []
            if spec:
                drawn[key] = self._once(key, partial(stamped, spec), partial(shapes, spec, purpose=purpose))
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

    async def pool(self, request: Request) -> Response:
        """The pool of the address: its report, or the wait for it, or the form with its faults."""
        return await run_in_threadpool(self._pool, request)

    def _pool(self, request: Request) -> Response:
        query = read_query(request.query_params, request.query_params.getlist("ranges"), self.workspace)
        if query.job is None:
            return self._form(query, 422)
        try:
            key = self.workspace.key(query.job)
        except PoolBuilderError as error:
            return self._form(query, 422, str(error))
        folder = self.workspace.path(key)
        if folder is not None:
            self.builds.forget(key)
            return self._result(key, query, request.query_params.get("before", ""))
        build = self.builds.get(key)
        if build is not None and build.state in {"failed", "cancelled"}:
            self.builds.forget(key)
            words = (
                build.error if build.state == "failed" else "The build was cancelled; nothing was written."
            )
            return self._form(query, 422 if build.state == "failed" else 200, words)
        build = build or self.builds.start(key, query.job, self.workspace.folder / key)
        return _render(
            "wait.html",
            status=202,
            scripts=("wait.js",),
            data={"key": key},
            key=key,
            site=query.job.site,
            fetching=False,
            build=build.as_dict(),
            address=request.url.query,
        )

    async def start_fetch(self, request: Request) -> Response:
        """Begin to bring the records around a place, and go to where that can be watched."""
        return await run_in_threadpool(self._start_fetch, await read_form(request))

    def _start_fetch(self, form: dict[str, str]) -> Response:
        query = read_query(form, [], self.workspace)
        if query.job is None:
            return self._form(query, 422)
        job = query.job
        fetching = Fetching(
            site=job.site,
            taxa=tuple(Checklist.load(job.checklist).genera),
            store=job.store,
            service_url=self.workspace.service_url,
            settings=job.settings,
        )
        asked = f"{job.site.latitude:.4f} {job.site.longitude:.4f} {job.site.radius_km:g} {fetching.taxa}"
        key = f"fetch-{hashlib.sha256(f'{asked} {job.store}'.encode()).hexdigest()[:12]}"
        self.builds.forget(key)
        self.builds.start(key, fetching, self.workspace.folder / key)
        return RedirectResponse(f"fetch?{urlencode({'key': key})}&{query.address}", status_code=303)

    async def fetch(self, request: Request) -> Response:
        """How a fetch is doing; the pool of its place when it is done."""
        return await run_in_threadpool(self._fetch, request)

    def _fetch(self, request: Request) -> Response:
        key = request.query_params.get("key", "")
        query = read_query(request.query_params, list(self.workspace.range_labels()), self.workspace)
        build = self.builds.get(key)
        if build is None or build.state == "done":
            return RedirectResponse(f"pool?{query.address}", status_code=303)
        if build.ended:
            return self._form(query, 422, f"Not everything was fetched: {build.error or build.state}.")
        return _render(
            "wait.html",
            status=202,
            scripts=("wait.js",),
            data={"key": key},
            key=key,
            site=build.job.site,
            fetching=True,
            build=build.as_dict(),
            address=query.address,
        )

    async def kept(self, request: Request) -> Response:
        """A pool built before, as it was, by its key."""
        return await run_in_threadpool(self._kept, request.query_params.get("key", ""))

    def _kept(self, key: str) -> Response:
        try:
            pool = self._read(key)
        except PoolBuilderError as error:
            return self._form(_nothing(), 404, str(error))
        return self._result(key, self._query_of(pool), "")

    def _query_of(self, pool: Pool) -> Query:
        """What was asked for, as far as it can be asked for again here."""
        site = pool.site
        used = {str(item.get("path")) for item in pool.inputs}
        labels = self.workspace.range_labels()
        return Query(
            values={
                "at": f"{site.latitude!r}, {site.longitude!r}",
                "name": site.name,
                "waterType": site.water_type or "",
                "radiusKm": f"{site.radius_km:g}",
                "asOf": pool.as_of.isoformat(),
                "checklist": pool.checklist_name,
            },
            ranges=tuple(
                label for label, spec in labels.items() if spec in used or spec.rpartition(":")[0] in used
            ),
        )

    def _result(self, key: str, query: Query, before: str) -> Response:
        try:
            pool = self._read(key)
            earlier = self._read(before) if before and before != key and self.workspace.path(before) else None
            moved = changes(earlier, pool) if earlier is not None else None
        except PoolBuilderError as error:
            return self._form(query, 422, str(error))
        return _render(
            "result.html",
            scripts=pages.SCRIPTS,
            **pool_page.content(pool),
            view="whole",
            key=key,
            query=query,
            downloads=DOWNLOADS,
            checklists=self.workspace.checklists,
            range_labels=list(self.workspace.range_labels()),
            others=[item for item in self.workspace.results() if item.key != key],
            listed=self._is_listed(pool),
            changes=moved,
            before=before,
        )

    def _read(self, key: str) -> Pool:
        folder = self.workspace.path(key)
        if folder is None:
            from poolbuilder.errors import PoolFileError

            raise PoolFileError(f"there is no pool {key!r} here", remedy="build it first")
        return read_pool(folder)

    def _is_listed(self, pool: Pool) -> bool:
        try:
            return any(site.name == pool.site.name for site in self.waters.sites())
        except PoolBuilderError:
            return False

    async def base(self, request: Request) -> Response:
        """What the base map holds around a place, for the map of the form."""
        return await run_in_threadpool(self._base, request.query_params)

    def _base(self, asked: Mapping[str, str]) -> Response:
        try:
            km = min(WIDEST_BASE_KM, max(10.0, float(asked.get("km", ""))))
            digits = 0 if km > 300 else 2  # what was drawn for a place is kept for those beside it
            site = Site(
                longitude=round(float(asked.get("lon", "")), digits),
                latitude=round(float(asked.get("lat", "")), digits),
                radius_km=km,
            )
        except (ValueError, SiteError):
            return JSONResponse({"layers": {}, "credit": ""}, status_code=422)
        return JSONResponse({"layers": drawn_base(site), "credit": CREDIT})

    async def status(self, request: Request) -> Response:
        """How a build is doing."""
        key = request.query_params.get("key", "")
        build = self.builds.get(key)
        if build is not None:
            return JSONResponse(build.as_dict())
        state = "done" if self.workspace.path(key) else "unknown"
        return JSONResponse({"state": state, "error": "", "seconds": 0, "steps": []})

    async def cancel(self, request: Request) -> Response:
        """Stop a build and go back to the form, its fields as they were."""
        form = await read_form(request)
        await run_in_threadpool(self.builds.cancel, form.get("key", ""))
        return RedirectResponse(f"./?{form.get('address', '')}", status_code=303)

    async def file(self, request: Request) -> Response:
        """A file of a finished pool."""
        file = self.workspace.file(request.path_params["key"], request.path_params["name"])
        if file is None:
            return PlainTextResponse("There is no such file.\n", status_code=404)
        kept = request.path_params["key"]
        disposition = "inline" if file.name == "report.html" else "attachment"
        return FileResponse(file, filename=f"{kept}-{file.name}", content_disposition_type=disposition)

    async def compare(self, request: Request) -> Response:
        """Two pools side by side."""
        keys = request.query_params.getlist("with")[:2]
        return await run_in_threadpool(self._compare, keys)

    def _compare(self, keys: list[str]) -> Response:
        if len(keys) != 2:
            return self._form(_nothing(), 422, "Choose two pools to compare.")
        try:
            one, other = (self._read(key) for key in keys)
            moved = changes(one, other)
        except PoolBuilderError as error:
            return self._form(_nothing(), 422, str(error))
        return _render("compare.html", keys=keys, changes=moved, **beside(one, other))

    async def keep(self, request: Request) -> Response:
        """Put a water on the list, or take it off."""
        return await run_in_threadpool(self._keep, await read_form(request))

    def _keep(self, form: dict[str, str]) -> Response:
        try:
            if form.get("remove"):
                self.waters.remove(form["remove"])
                return RedirectResponse("./", status_code=303)
            pool = self._read(form.get("key", ""))
            self.waters.add(pool.site)
        except PoolBuilderError as error:
            return self._form(_nothing(), 422, str(error))
        return RedirectResponse(f"pool?{form.get('address', '')}", status_code=303)
