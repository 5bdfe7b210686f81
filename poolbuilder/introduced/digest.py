"""What is new on one page: to send in a mail (HTML or Markdown), and as a feed (Atom, RFC 4287)."""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping
from typing import Any
from xml.etree import ElementTree

from poolbuilder import pages, words
from poolbuilder.introduced.lines import findings
from poolbuilder.introduced.run import Run

Item = Mapping[str, Any]

_ATOM = "http://www.w3.org/2005/Atom"
_SPACE = uuid.uuid5(uuid.NAMESPACE_URL, "urn:poolbuilder:introduced")
_MARKUP = re.compile(r"([\\`*_{}\[\]<>#|])")


def digest_page(run: Run) -> str:
    """The season as one HTML page without a script."""
    return pages.fill("digest.html", run=run.document, findings=findings(run), items=_shown(run))


def _shown(run: Run) -> list[dict[str, Any]]:
    """The news of a run, ready to print."""
    return [
        {
            **item,
            "news": words.joined([words.NEWS[kind] for kind in item["kinds"]]),
            "sureness": words.GRADES.get(item["grade"], words.UNKNOWN),
            "reasons": words.grade_reasons(item["gradeReasons"]),
            "place": words.kilometres(item["distanceKm"]) if item["distanceKm"] is not None else "",
        }
        for item in run.document["newsItems"]
    ]


def digest_markdown(run: Run) -> str:
    """The season as Markdown."""
    lines = [f"# {words.introduced_title(run.document)}", "", _plain(findings(run)), ""]
    for item in _shown(run):
        name = f"**{_plain(item['water'])}**: *{_plain(item['species'])}*"
        lines += [f"- {name}: {item['news']}; {item['sureness']} ({item['reasons']})"]
        lines += [f"  {_plain(_record_line(item))}"] if item["recordKey"] else []
    lines += ["", *(f"- {_plain(note)}" for note in run.document["notes"]), ""]
    lines += [*(f"> {caution}" for caution in run.document["cautions"]), ""]
    return "\n".join(lines)


def _record_line(item: Item) -> str:
    """The deciding record in a line: when, who, how sure a place, where to read it."""
    unsure_m = item["coordinateUncertaintyInMeters"]
    parts = [item["eventDate"], item["recordedBy"], item["datasetName"]]
    parts += [] if unsure_m is None else [f"±{unsure_m:,.0f} m"]
    parts += [item["link"] or item["occurrenceID"] or item["recordKey"]]
    return ", ".join(str(part) for part in parts if part)


def _plain(text: str) -> str:
    """Text whose signs are no markup; addresses stay whole."""
    return " ".join(
        part if part.startswith(("http://", "https://")) else _MARKUP.sub(r"\\\1", part)
        for part in str(text).split(" ")
    )


def feed(run: Run) -> str:
    """News of this run and of those before it as an Atom feed; the same news keeps its identifier."""
    document = run.document
    ElementTree.register_namespace("", _ATOM)
    root = ElementTree.Element(f"{{{_ATOM}}}feed")
    waters = "|".join(sorted(water["water"] for water in document["waters"]))
    _text(root, "id", f"urn:uuid:{uuid.uuid5(_SPACE, waters)}")
    _text(root, "title", words.introduced_title(document))
    _text(root, "updated", f"{document['asOf']}T00:00:00Z")
    _text(ElementTree.SubElement(root, f"{{{_ATOM}}}author"), "name", "poolbuilder")
    for item in (*document["newsItems"], *document["earlierNews"]):
        _entry(root, item)
    ElementTree.indent(root, " ")
    text = ElementTree.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="utf-8"?>\n{text}\n'


def _entry(root: ElementTree.Element, item: Item) -> None:
    entry = ElementTree.SubElement(root, f"{{{_ATOM}}}entry")
    kinds = words.joined([words.NEWS[kind] for kind in item["kinds"]])
    own = "|".join(str(item[name]) for name in ("water", "species", "recordKey", "asOf"))
    _text(entry, "id", f"urn:uuid:{uuid.uuid5(_SPACE, own)}")
    _text(entry, "title", f"{item['water']}: {item['species']}: {kinds}")
    _text(entry, "updated", f"{item['asOf']}T00:00:00Z")
    if item["link"]:
        ElementTree.SubElement(entry, f"{{{_ATOM}}}link", {"href": item["link"]})
    sureness = words.GRADES.get(item["grade"], words.UNKNOWN)
    text = f"{sureness}: {words.grade_reasons(item['gradeReasons'])}. {_record_line(item)}"
    _text(entry, "summary", text)


def _text(parent: ElementTree.Element, name: str, text: str) -> None:
    # Control characters may stand in no XML document.
    legal = "".join(letter for letter in text if letter >= " " or letter in "\t\n")
    ElementTree.SubElement(parent, f"{{{_ATOM}}}{name}").text = legal
