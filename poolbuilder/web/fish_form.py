"""One fish against a list that the page built: the form, and the answer."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from poolbuilder import words
from poolbuilder.errors import PoolBuilderError, PoolFileError
from poolbuilder.fish.answer import identify
from poolbuilder.fish.characters import Character, TraitTable, read_traits
from poolbuilder.fish.fish_page import render
from poolbuilder.fish.notes import fish_from, measures
from poolbuilder.folder import read_pool
from poolbuilder.pages import kit
from poolbuilder.pool import Pool
from poolbuilder.web.query import read_form
from poolbuilder.web.workspace import Workspace

ABOUT = ("name", "date", "place", "observer", "remarks")
CHOICES = {
    "sex": ("unknown", "male", "female"),
    "size": ("unknown", "adult", "young"),
    "breeding": ("unknown", "yes", "no"),
}
SURE = (("", "sure"), ("0.8", "fairly sure"), ("0.5", "unsure"))


class FishViews:
    """The form for one fish, and its answer."""

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace

    async def ask(self, request: Request) -> Response:
        """The empty form for one pool."""
        given = {"key": request.query_params.get("key", "")}
        return await run_in_threadpool(self._form, given)

    async def weigh(self, request: Request) -> Response:
        """The page of the fish, or the form again with what is wrong."""
        return await run_in_threadpool(self._weigh, await read_form(request))

    def _pool(self, key: str) -> Pool:
        folder = self.workspace.path(key)
        if folder is None:
            raise PoolFileError(f"there is no pool {key!r} here", remedy="build it first")
        return read_pool(folder)

    def _form(self, given: Mapping[str, str], trouble: str = "") -> Response:
        table = read_traits()
        try:
            pool = self._pool(given.get("key", ""))
        except PoolBuilderError as error:
            return self._render(given, table, None, str(error), 404)
        return self._render(given, table, pool, trouble, 422 if trouble else 200)

    def _render(
        self, given: Mapping[str, str], table: TraitTable, pool: Pool | None, trouble: str, status: int
    ) -> Response:
        text = kit.fill(
            "fish.html",
            styles=("web.css",),
            allowed=kit.OWN_FORMS,
            given=defaultdict(str, given),
            trouble=trouble,
            water="" if pool is None else words.place(pool.site),
            share="" if pool is None else f"{pool.settings.f1_share:g}",
            about=ABOUT,
            choices=CHOICES,
            sure=SURE,
            measures=[(key, key.removesuffix("_mm").replace("_", " ")) for key in measures(table)],
            counts=[_field(each) for each in table.characters if each.kind == "count"],
            states=[_field(each) for each in table.characters if each.states],
        )
        return HTMLResponse(text, status_code=status)

    def _weigh(self, given: dict[str, str]) -> Response:
        table = read_traits()
        try:
            pool = self._pool(given.get("key", ""))
            settings = pool.settings
            if given.get("f1Share", "").strip():
                settings = settings.replace(f1_share=_number(given["f1Share"]))
            fish = fish_from(_document(given, table), table, settings=settings, where="the form")
            found = identify(pool, fish, table, settings=settings, backcrosses="backcrosses" in given)
        except PoolBuilderError as error:
            return self._form(given, str(error))
        return HTMLResponse(render(found))


def _field(character: Character) -> dict[str, Any]:
    keys = [f"{character.key}_{side}" for side in character.sides] or [character.key]
    return {
        "keys": list(zip(keys, character.sides or ("",), strict=True)),
        "words": character.words,
        "look": character.look,
        "care": character.care,
        "states": [(state, state.replace("_", " ")) for state in character.states],
    }


def _number(text: str) -> Any:
    """A number as it was typed, with a point or a comma; any other text as it is."""
    plain = text.strip().replace(",", ".")
    for kind in (int, float):
        try:
            return kind(plain)
        except ValueError:
            continue
    return text.strip()


def _document(given: Mapping[str, str], table: TraitTable) -> dict[str, dict[str, Any]]:
    """The fields of the form as notes."""
    about = {key: given[key].strip() for key in (*ABOUT, *CHOICES) if given.get(key, "").strip()}
    photos = [line.strip() for line in given.get("photos", "").splitlines() if line.strip()]
    seen: dict[str, Any] = {}
    states = {each.key for each in table.characters if each.states}
    keys = [*measures(table)]
    for each in table.characters:
        keys += [f"{each.key}_{side}" for side in each.sides] or [each.key]
    for key in keys:
        value = given.get(key, "").strip()
        if not value:
            continue
        entry: dict[str, Any] = {"value": value if key in states else _number(value)}
        if given.get(f"sure_{key}", "").strip():
            entry["sure"] = _number(given[f"sure_{key}"])
        seen[key] = entry
    return {"fish": {**about, **({"photos": photos} if photos else {})}, "seen": seen}
