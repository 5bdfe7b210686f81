"""Puts a pool into the page: template, style, script, map and data in one HTML text."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import lru_cache
from importlib import resources
from typing import Any

import jinja2
from markupsafe import Markup

from poolbuilder import wording
from poolbuilder.findings import CAUTIONS, LIKELY, calibrated, doubts, findings
from poolbuilder.pool import Pool
from poolbuilder.records.screen import RULES
from poolbuilder.report import drawing, sheet
from poolbuilder.report.payload import as_script, payload

__all__ = ["SCRIPTS", "asset", "content", "dress", "environment", "page"]

LEAFLET_VERSION = "1.9"
FIRST_PAIRS = 10
SCRIPTS = ("table.js", "map_base.js", "map.js")
NO_FORMS = "; form-action 'none'"

_COLUMNS = (
    ("name", "Species"),
    ("presence", "Presence"),
    ("tier", "Recorded"),
    ("records", "Records"),
    ("nearest", "Nearest"),
    ("years", "Years"),
    ("status", "Status here"),
)
_MAP_WORDS = {
    "ranges": "edge of a range map",
    "states": "boundary",
    "basins": "watershed",
    "outline": "outline of the water",
    "streams": "stream",
    "barriers": "barrier",
}


@lru_cache(maxsize=32)
def asset(name: str) -> str:
    """The text of a template, style or script of the report."""
    return (resources.files("poolbuilder.report") / "assets" / name).read_text(encoding="utf-8")


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


def stylesheet() -> str:
    """Everything that the report looks like."""
    return asset("style.css") + asset("drawings.css") + asset("print.css")


def policy(*, scripts: tuple[str, ...], styles: tuple[str, ...], allowed: str = "") -> str:
    """A content policy that lets these texts run and nothing else: no network, no frames, no forms.

    *allowed* adds directives, for a page that is served and may send forms to itself.
    """

    def hashes(texts: tuple[str, ...]) -> str:
        digests = (base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in texts)
        return " ".join(f"'sha256-{digest}'" for digest in digests)

    return (
        f"default-src 'none'; script-src {hashes(scripts)}; style-src {hashes(styles)}; "
        f"img-src data:; base-uri 'none'{allowed or NO_FORMS}"
    )


@lru_cache(maxsize=4)
def environment(extra: jinja2.BaseLoader | None = None) -> jinja2.Environment:
    """The template environment: everything that comes from data is escaped.

    Parameters
    ----------
    extra : loader, optional
        Further templates, which may extend those of the report.
    """
    ours = jinja2.PackageLoader("poolbuilder.report", "assets")
    return jinja2.Environment(
        loader=ours if extra is None else jinja2.ChoiceLoader([extra, ours]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def dress(
    *, styles: tuple[str, ...] = (), scripts: tuple[str, ...] = (), allowed: str = ""
) -> dict[str, Any]:
    """Style, scripts and the policy that lets just these run.

    Parameters
    ----------
    styles, scripts : tuple of str
        Texts beside the report's style and Leaflet.
    allowed : str
        Further directives of the policy, such as forms for a served page.
    """
    leaflet_style, leaflet_script = leaflet()
    style = stylesheet() + "".join(styles)
    return {
        "policy": policy(scripts=(leaflet_script, *scripts), styles=(leaflet_style, style), allowed=allowed),
        "style": Markup(style),
        "leaflet_style": Markup(leaflet_style),
        "leaflet_script": Markup(leaflet_script),
        "leaflet_version": LEAFLET_VERSION,
        "scripts": [Markup(text) for text in scripts],
    }


def page(pool: Pool, *, view: str = "whole") -> str:
    """The page of a pool; ``view="map"`` shows the list and the map alone."""
    dressed = dress(scripts=tuple(asset(name) for name in SCRIPTS))
    return environment().get_template("page.html").render(**content(pool), **dressed, view=view)


def content(pool: Pool) -> dict[str, Any]:
    """Everything that the page's template says of a pool."""
    rows = sheet.species_rows(pool)
    return {
        "pool": pool,
        "water": wording.place(pool.site),
        "coordinates": wording.degrees(pool.site),
        "as_of": wording.day(pool.as_of),
        "findings": sheet.italic(findings(pool), [row["name"] for row in rows]),
        "doubts": doubts(pool),
        "cautions": CAUTIONS,
        "rows": rows,
        "likely": wording.percent(LIKELY),
        "calibrated": calibrated(pool),
        "no_interval": "no interval" if calibrated(pool) else "uncalibrated",
        "any_interval": any(row["interval"] for row in rows),
        "tiers": [(key, wording.tier(key, pool.site.radius_km)) for key in sheet.TIERS],
        "table_columns": [{"key": key, "title": title} for key, title in _COLUMNS],
        "still_map": drawing.chart(pool, drawing.marks(pool)),
        "map_layers": [(key, words) for key, words in _MAP_WORDS.items() if pool.features.get(key)],
        "pairs": sheet.pair_rows(pool),
        "pairs_first": FIRST_PAIRS,
        "triangle": sheet.triangle(pool),
        "data": as_script(payload(pool)),
        **_counts(pool),
        **sheet.parts(pool),
    }


def _counts(pool: Pool) -> dict[str, Any]:
    told = {rule.key: rule for rule in RULES}
    counts = dict(pool.counts.get("rejected") or {})
    total = sum(counts.values()) if counts else pool.rejected.num_rows
    rejected = [
        {
            "title": told[key].title if key in told else key,
            "reason": told[key].reason if key in told else "",
            "count": f"{count:,}",
        }
        for key, count in sorted(counts.items(), key=lambda item: (-item[1], item[0]))
        if count
    ]
    unknown = pool.counts.get("unknownNames") or {}
    named = sorted(unknown.items(), key=lambda item: (-item[1], item[0]))
    return {
        "read": int(pool.counts.get("read", 0)),
        "kept": int(pool.counts.get("kept", 0)),
        "rejected_total": total,
        "rejected": rejected,
        "left_out_title": wording.counted(total, "record") if total else "no record",
        "unknown_names": ", ".join(f"{name} ({count:,})" for name, count in named[:30]),
    }
