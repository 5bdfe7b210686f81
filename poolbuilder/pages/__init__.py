"""What all pages share: one template environment, one content policy, styles, scripts, the data block."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup

from poolbuilder import words
from poolbuilder.files import write_whole
from poolbuilder.pages import drawings
from poolbuilder.words import introduced_words, pool_words

LEAFLET_VERSION = "1.9"
SCRIPTS = ("table.js", "map_base.js", "map.js")
NO_FORMS = "form-action 'none'"
OWN_FORMS = "; ".join(f"{name} 'self'" for name in ("form-action", "connect-src"))


@lru_cache(maxsize=32)
def asset(name: str) -> str:
    """The text of a template, style or script of the report."""
    return (resources.files("poolbuilder.pages") / "templates" / name).read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def leaflet() -> tuple[str, str]:
    """Leaflet's style, its images written into it, and its script."""
    folder = resources.files("xstatic.pkg.leaflet") / "data"

    def inlined(match: re.Match[str]) -> str:
        image = (folder / "images" / match[1]).read_bytes()
        return f"url(data:image/png;base64,{base64.b64encode(image).decode()})"

    style = (folder / "leaflet.css").read_text(encoding="utf-8")
    style = re.sub(r"url\(images/([\w.-]+)\)", inlined, style)
    script = (folder / "leaflet.js").read_text(encoding="utf-8")
    return style, re.sub(r"\n//# sourceMappingURL=.*", "", script)


def stylesheet(more: tuple[str, ...] = ()) -> str:
    """What every page looks like, with the styles of one page after it."""
    return "".join(asset(name) for name in ("style.css", "drawings.css", "print.css", *more))


def policy(*, scripts: tuple[str, ...], style: str, allowed: str = NO_FORMS) -> str:
    """A content policy that lets these texts run and nothing else: no network, no frames, no forms."""

    def hashes(texts: tuple[str, ...]) -> str:
        digests = (base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in texts)
        return " ".join(f"'sha256-{digest}'" for digest in digests) or "'none'"

    parts = {
        "default-src": "'none'",
        "script-src": hashes(scripts),
        "style-src": hashes((style,)),
        "img-src": "data:",
        "base-uri": "'none'",
    }
    return "; ".join([*(f"{name} {value}" for name, value in parts.items()), allowed])


@lru_cache(maxsize=1)
def environment() -> jinja2.Environment:
    """The template environment: that of the texts, but everything that comes from data is escaped."""
    folders = [Path(__file__).parent / "templates", Path(words.__file__).parent]
    made = words.environment().overlay(
        loader=jinja2.FileSystemLoader(folders), autoescape=True, bytecode_cache=words.compiled("templates")
    )
    made.globals |= {"pool_words": pool_words, "introduced_words": introduced_words}
    made.filters |= {"n": drawings.n, "wilson": drawings.wilson}
    made.globals["draw"] = made.get_template("drawings.svg").module
    return made


def draw(name: str, *facts: Any, file: str = "drawings.svg") -> Markup:
    """A drawing of ``drawings.svg``, or of another file, by its name."""
    return Markup(getattr(_drawings(file), name)(*facts))


@lru_cache(maxsize=4)
def _drawings(file: str) -> Any:
    return environment().get_template(file).module


def fill(
    template: str,
    *,
    styles: tuple[str, ...] = (),
    scripts: tuple[str, ...] = (),
    mapped: bool = False,
    allowed: str = NO_FORMS,
    **values: Any,
) -> str:
    """A page: a template filled with values, its styles and scripts, and the policy that lets just these run.

    Parameters
    ----------
    template : str
        Name of the template.
    styles, scripts : tuple of str
        Names of further styles and of scripts, in their order.
    mapped : bool
        Whether the page has an interactive map: Leaflet then comes first.
    allowed : str
        What the policy lets a page do besides: send forms, for one that is served.
    """
    style, script = stylesheet(styles), tuple(asset(name) for name in scripts)
    if mapped:
        leaflet_style, leaflet_script = leaflet()
        style, script = leaflet_style + style, (leaflet_script, *script)
    return (
        environment()
        .get_template(template)
        .render(
            policy=policy(scripts=script, style=style, allowed=allowed),
            style=Markup(style),
            scripts=[Markup(text) for text in script],
            leaflet_version=LEAFLET_VERSION,
            **values,
        )
    )


def write_page(text: str, path: str | Path) -> Path:
    """Write a page whole or not at all; an older one stays until the new one is complete.

    Raises
    ------
    PoolFileError
        When the folder cannot be written.
    """
    return write_whole(path, text)


def as_script(values: dict[str, Any]) -> Markup:
    """JSON that may stand in a script element: no `<`, `>` or `&`, and no line separators."""
    text = json.dumps(values, ensure_ascii=False, separators=(",", ":"), sort_keys=True, allow_nan=False)
    for character in "<>&\N{LINE SEPARATOR}\N{PARAGRAPH SEPARATOR}":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return Markup(text)
