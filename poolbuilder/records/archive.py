"""Darwin Core Archives: the descriptor, the parts that hold records, and what is told of the data sets.

Nothing is unpacked to disk: parts of a zip are read through it.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Any, BinaryIO, Protocol

from poolbuilder.errors import RecordFileError, said
from poolbuilder.names.vocabularies import fold
from poolbuilder.records.text_table import Layout
from poolbuilder.settings import Settings

MIB = 1 << 20
DESCRIPTOR = "meta.xml"
_MAX_XML = 16 * MIB
_DEEPEST_XML = 100
_MOST_COLUMNS = 10_000
_MOST_SKIPPED = 10_000
_PACKED = {0, 8, 12, 14}  # stored, deflate, bzip2, LZMA: what zipfile reads
_UNREAD = (".zip", ".xlsx", ".xlsm", ".xls", ".ods", ".gpkg", ".shp", ".geojson")
_NO_TABLES = {"citations.txt", "rights.txt", "readme.txt", "license.txt", "licence.txt"}
_TABLES = (".txt", ".csv", ".tsv", ".tab", ".parquet")


class Container(Protocol):
    """A folder or zip: the names of its files, and a way to open one."""

    path: Path

    def names(self) -> list[str]:
        """Files inside, as relative paths with forward slashes, sorted."""
        ...

    def open(self, name: str) -> BinaryIO:
        """Open one file for reading bytes."""
        ...


class _Folder:
    def __init__(self, path: Path) -> None:
        self.path = path

    def names(self) -> list[str]:
        return sorted(
            item.relative_to(self.path).as_posix() for item in self.path.rglob("*") if item.is_file()
        )

    def open(self, name: str) -> BinaryIO:
        target = (self.path / name).resolve()
        if not target.is_relative_to(self.path.resolve()):
            raise RecordFileError.of("refers_outside_folder", file=self.path, name=name)
        return target.open("rb")


class _Zip:
    def __init__(self, path: Path, archive: zipfile.ZipFile) -> None:
        self.path = path
        self._archive = archive

    def names(self) -> list[str]:
        return sorted(item.filename for item in self._archive.infolist() if not item.is_dir())

    def open(self, name: str) -> BinaryIO:
        return self._archive.open(name)  # type: ignore[return-value]


def _leaves(name: str) -> bool:
    parts = PurePosixPath(name.replace("\\", "/")).parts
    return ".." in parts or name.startswith(("/", "\\")) or bool(re.match(r"[A-Za-z]:", name))


def _check_zip(archive: zipfile.ZipFile, path: Path, settings: Settings) -> None:
    unpacked = 0
    for item in archive.infolist():
        if not item.filename:
            raise zipfile.BadZipFile("a file without a name")
        if _leaves(item.filename):
            raise RecordFileError.of("would_leave_folder", file=path, filename=item.filename)
        if item.flag_bits & 0x1:
            raise RecordFileError.of("archive_encrypted", file=path)
        if item.compress_type not in _PACKED:
            raise RecordFileError.of(
                "packs_method_not", file=path, filename=item.filename, compress_type=item.compress_type
            )
        unpacked += item.file_size
    if unpacked > settings.max_unpacked_mib * MIB:
        raise RecordFileError.of(
            "would_unpack_mib", file=path, unpacked=unpacked / MIB, max_unpacked_mib=settings.max_unpacked_mib
        )


@contextmanager
def open_container(path: Path, settings: Settings) -> Iterator[Container]:
    """Open a folder or zip of records.

    Raises
    ------
    RecordFileError
        When the zip is broken, encrypted, too large when unpacked, or leaves its folder.
    """
    if path.is_dir():
        yield _Folder(path)
        return
    try:
        with zipfile.ZipFile(path) as archive:
            _check_zip(archive, path, settings)
            yield _Zip(path, archive)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as error:
        raise RecordFileError.of("broken_zip", file=path, error=error) from error


@dataclass(frozen=True, kw_only=True)
class CorePart:
    """One file of records, and how the descriptor says it is written.

    ``layout`` is None when the file has its own header and no descriptor.  ``events`` are
    the parts of the event table that the records refer to by the column ``key``; in such a
    part itself ``key`` is the event's identifier.  ``verbatim`` is the extension in which a
    download of the service repeats the records as they were given.
    """

    name: str
    layout: Layout | None = None
    defaults: Mapping[str, str] = field(default_factory=dict)
    key: int | None = None
    events: tuple[CorePart, ...] = ()
    verbatim: CorePart | None = None


@dataclass(kw_only=True)
class _Section:
    """The core or an extension as a descriptor describes it."""

    kind: str
    is_core: bool
    encoding: str
    delimiter: str
    quote: str
    line_end: str
    skip_lines: int
    key: int | None
    locations: list[str]
    terms: dict[int, str] = field(default_factory=dict)
    defaults: dict[str, str] = field(default_factory=dict)


_ESCAPES = {"\\t": "\t", "\\n": "\n", "\\r": "\r"}


def _tree(text: bytes) -> ET.Element:
    """An XML document without its namespaces.

    Raises
    ------
    ValueError
        When it is no XML, or nested deeper than any metadata are.
    """
    parser: Any = ET.XMLPullParser(("start", "end"))
    opened: list[ET.Element] = []
    try:
        for start in range(0, len(text), 1 << 16):
            parser.feed(text[start : start + (1 << 16)])
            for event, element in parser.read_events():
                if event == "end":
                    root = opened.pop()
                    continue
                element.tag = element.tag.rsplit("}", 1)[-1]
                opened.append(element)
                if len(opened) > _DEEPEST_XML:
                    raise ValueError(f"nested deeper than {_DEEPEST_XML}")
        parser.close()
    except (ET.ParseError, LookupError) as error:
        raise ValueError(str(error)) from error
    return root


def _bounded(text: str | None, most: int, what: str) -> int | None:
    """A whole number from 0 to *most*; None for no text."""
    if text is None or not text.strip():
        return None
    number = int(text) if re.fullmatch(r"\s*\d{1,9}\s*", text) else -1
    if not 0 <= number < most:
        raise ValueError(said("not_whole_number", what=what, text=text[:20], most=most))
    return number


def _read_section(element: ET.Element, *, is_core: bool) -> _Section:
    """A section with the defaults of the text guide.

    Defaults: Darwin Core text guide (http://rs.tdwg.org/dwc/terms/guides/text/), section 2.
    """

    def attribute(name: str, default: str) -> str:
        text = element.get(name, default)
        for escape, mark in _ESCAPES.items():
            text = text.replace(escape, mark)
        return text

    identifier = element.find("id" if is_core else "coreid")
    index = None if identifier is None else identifier.get("index")
    section = _Section(
        kind=fold(element.get("rowType")),
        is_core=is_core,
        encoding=attribute("encoding", "utf-8") or "utf-8",
        delimiter=attribute("fieldsTerminatedBy", ","),
        quote=attribute("fieldsEnclosedBy", '"'),
        line_end=attribute("linesTerminatedBy", "\n"),
        skip_lines=_bounded(element.get("ignoreHeaderLines"), _MOST_SKIPPED, "ignoreHeaderLines") or 0,
        key=_bounded(index, _MOST_COLUMNS, said("index_of_the_id")),
        locations=[(item.text or "").strip() for item in element.findall("files/location")],
    )
    for item in element.findall("field"):
        term = item.get("term")
        if not term:
            raise ValueError(said("field_names_no"))
        place = _bounded(item.get("index"), _MOST_COLUMNS, f"the index of {term[-40:]}")
        if place is not None:
            section.terms[place] = term
        if item.get("default"):
            section.defaults[term] = item.get("default", "")
    return section


@dataclass(kw_only=True)
class _Descriptor:
    core: _Section
    extensions: list[_Section]


def _read_xml(container: Container, name: str) -> bytes:
    with container.open(name) as stream:
        text = stream.read(_MAX_XML + 1)
    if len(text) > _MAX_XML:
        raise RecordFileError.of("larger_mib", file=f"{container.path}/{name}", max_xml=_MAX_XML // MIB)
    return text


def _descriptor(container: Container, name: str) -> _Descriptor:
    where = f"{container.path}/{name}"
    text = _read_xml(container, name)
    try:
        root = _tree(text)
    except ValueError as error:
        raise RecordFileError.of("not_xml", file=where, error=error) from error
    core = root.find("core")
    if core is None or core.find("files/location") is None:
        raise RecordFileError.of("no_core_file", file=where)
    try:
        return _Descriptor(
            core=_read_section(core, is_core=True),
            extensions=[_read_section(item, is_core=False) for item in root.findall("extension")],
        )
    except ValueError as error:
        raise RecordFileError.of("not_descriptor_can", file=where, error=error) from error


def _headings(section: _Section) -> tuple[str, ...]:
    placed, key = dict(section.terms), section.key
    has_identifier = any(fold(term) == "occurrenceid" for term in placed.values())
    if key is not None and key not in placed and section.is_core and section.kind != "event":
        placed[key] = "id" if has_identifier else "occurrenceID"
    width = max([*placed, -1 if key is None else key, -1]) + 1
    return tuple(placed.get(index, "") for index in range(width))


def _check_marks(section: _Section, where: str) -> None:
    delimiter, quote = section.delimiter, section.quote
    if len(delimiter) != 1 or len(quote) > 1 or section.line_end not in {"\n", "\r\n", "\r"}:
        raise RecordFileError.of(
            "separates_fields_encloses",
            file=where,
            delimiter=delimiter,
            quote=quote,
            line_end=section.line_end,
        )
    if not (delimiter.isascii() and quote.isascii()) or delimiter in "\r\n\0" or quote == delimiter:
        raise RecordFileError.of(
            "separates_fields_encloses_them", file=where, delimiter=delimiter, quote=quote
        )


def core_parts(container: Container) -> list[CorePart]:
    """The files of a container that hold its records.

    With descriptors: the files of each core, or the occurrences of an event core, each with
    the event table that they refer to.  Without one: the only table, or the tables that are
    parts of one download.

    Raises
    ------
    RecordFileError
        When a descriptor cannot be read, an archive is not about occurrences, a file is
        missing, or a table would be left out.
    """
    names = [name for name in container.names() if not name.startswith("__MACOSX/")]
    found = sorted(
        (name for name in names if PurePosixPath(name).name == DESCRIPTOR), key=lambda name: name.count("/")
    )
    if not found:
        return _bare_tables(container, names)
    parts: list[CorePart] = []
    described: set[str] = set()
    for name in found:
        descriptor = _descriptor(container, name)
        folder = PurePosixPath(name).parent
        for section in (descriptor.core, *descriptor.extensions):
            described |= {(folder / location).as_posix() for location in section.locations}
        parts += _described_parts(container, name, descriptor, names)
    _refuse_more(container, names, described)
    return parts


def _described_parts(
    container: Container, name: str, descriptor: _Descriptor, names: list[str]
) -> list[CorePart]:
    where, folder, core = f"{container.path}/{name}", PurePosixPath(name).parent, descriptor.core
    occurrences = [section for section in descriptor.extensions if section.kind == "occurrence"]
    if core.kind == "event" and occurrences:
        events = tuple(_parts_of(core, folder, names, where))
        return [
            replace(part, events=events)
            for section in occurrences
            for part in _parts_of(section, folder, names, where)
        ]
    if core.kind in {"taxon", "event", "multimedia", "identification", "measurementorfact"}:
        raise RecordFileError.of("core_rows_no", file=where, kind=core.kind)
    verbatim = None
    with suppress(RecordFileError, IndexError):  # one that cannot be read is ignored as other extensions are
        verbatim = _parts_of(occurrences[0], folder, names, name)[0]
    return [replace(part, verbatim=verbatim) for part in _parts_of(core, folder, names, where)]


def _could_hold_records(container: Container, name: str) -> bool:
    """Whether a file is an archive, sheet or layer, or a text table whose header names a latitude."""
    if not name.lower().endswith(_TABLES) or name.lower().endswith(".parquet"):
        return True
    with container.open(name) as stream:
        header = stream.read(1 << 16).replace(b"\0", b"").partition(b"\n")[0].lower()
    return b"lat" in header and any(mark in header for mark in (b"\t", b",", b";", b"|"))


def _refuse_more(container: Container, names: list[str], described: set[str]) -> None:
    """Refuse a container with files beside its tables that could hold records too."""
    more = [
        name
        for name in names
        if name not in described
        and name.lower().endswith((*_TABLES, *_UNREAD))
        and _could_hold_records(container, name)
    ]
    if more:
        raise RecordFileError.of(
            "more_beside", file=container.path, more=more[:5], len=" and more" if len(more) > 5 else ""
        )


def _parts_of(section: _Section, folder: PurePosixPath, names: list[str], where: str) -> list[CorePart]:
    _check_marks(section, where)
    parts = []
    for location in section.locations:
        name = (folder / location).as_posix()
        if _leaves(name) or name not in names:
            raise RecordFileError.of("names_file_not", file=where, location=location)
        parts.append(
            CorePart(
                name=name,
                layout=Layout(
                    encoding=section.encoding,
                    delimiter=section.delimiter,
                    quote=section.quote or None,
                    names=_headings(section),
                    skip_lines=section.skip_lines,
                ),
                defaults=section.defaults,
                key=section.key,
            )
        )
    return parts


def _bare_tables(container: Container, names: list[str]) -> list[CorePart]:
    tables = [
        name
        for name in names
        if name.lower().endswith(_TABLES) and PurePosixPath(name).name.lower() not in _NO_TABLES
    ]
    parquet = [name for name in tables if name.lower().endswith(".parquet")]
    if len(tables) == 1 or (parquet and len(parquet) == len(tables)):
        _refuse_more(container, names, set(tables))
        return [CorePart(name=name) for name in tables]
    raise RecordFileError(
        said("no_meta_xml", tables=len(tables)) if tables else said("no_table_records"),
        file=container.path,
        remedy=said("each_table_itself") if tables else said("darwin_core_archive"),
    )


def _text_of(element: ET.Element | None) -> str | None:
    if element is None:
        return None
    words = " ".join("".join(element.itertext()).split())
    return words or None


def _licence(dataset: ET.Element) -> str | None:
    rights = dataset.find("intellectualRights")
    if rights is None:
        return None
    link = rights.find(".//ulink")
    address = None if link is None else link.get("url")
    return address or _text_of(rights)


def dataset_words(text: bytes, key: str | None) -> dict[str, str | None] | None:
    """Title, citation and licence that an EML document states; None when it states none.

    Source: Ecological Metadata Language 2, elements ``dataset/title``,
    ``additionalMetadata//citation`` and ``dataset/intellectualRights``.
    """
    try:
        root = _tree(text)
    except ValueError:
        return None
    dataset = root.find("dataset")
    if dataset is None:
        return None
    return {
        "datasetKey": key,
        "title": _text_of(dataset.find("title")),
        "citation": _text_of(root.find("additionalMetadata//citation")),
        "license": _licence(dataset),
    }


def datasets_of(container: Container) -> list[dict[str, str | None]]:
    """What the archive's metadata say of its data sets: one file each in `dataset/`, else one for all."""
    names = container.names()
    files = {name: PurePosixPath(name).stem for name in names if PurePosixPath(name).parent.name == "dataset"}
    chosen: dict[str, str | None] = {name: key for name, key in files.items() if name.endswith(".xml")}
    if not chosen:
        single = [name for name in names if PurePosixPath(name).name.lower() in {"eml.xml", "metadata.xml"}]
        chosen = dict.fromkeys(single[:1])
    out = []
    for name, key in chosen.items():
        words = dataset_words(_read_xml(container, name), key)
        if words:
            out.append(words)
    return out
