"""Darwin Core Archives: the descriptor, the parts that hold records, and what is told of the data sets.

Nothing is unpacked to disk: parts of a zip are read through it.
"""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
import zipfile
import zlib
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from poolbuilder.errors import RecordFileError, said
from poolbuilder.names.vocabularies import fold
from poolbuilder.records.grids import Layout
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


@dataclass(frozen=True)
class Container:
    """A folder or zip: its files, as sorted relative paths with forward slashes, and a way to open one."""

    path: Path
    names: list[str]
    open: Callable[[str], BinaryIO]

    def xml(self, name: str) -> ET.Element:
        """An XML document without its namespaces.

        Raises
        ------
        ValueError
            When it is no XML, or larger or nested deeper than any metadata are.
        """
        with self.open(name) as stream:
            text = stream.read(_MAX_XML + 1)
        if len(text) > _MAX_XML:
            raise ValueError(f"larger than {_MAX_XML // MIB} MiB")
        depth, element = 0, ET.Element("")
        try:
            for event, element in ET.iterparse(io.BytesIO(text), ("start", "end")):
                depth += 1 if event == "start" else -1
                element.tag = element.tag.rsplit("}", 1)[-1]
                if depth > _DEEPEST_XML:
                    raise ValueError(f"nested deeper than {_DEEPEST_XML}")
        except (ET.ParseError, LookupError) as error:
            raise ValueError(str(error)) from error
        return element


def _leaves(name: str) -> bool:
    parts = PurePosixPath(name.replace("\\", "/")).parts
    return ".." in parts or name.startswith(("/", "\\")) or bool(re.match(r"[A-Za-z]:", name))


def refuse_large(unpacked: int, path: Path, settings: Settings) -> None:
    """Refuse what would unpack to more bytes than the settings allow."""
    if unpacked > settings.max_unpacked_mib * MIB:
        most = settings.max_unpacked_mib
        raise RecordFileError.of(
            "would_unpack_mib", file=path, unpacked=unpacked / MIB, max_unpacked_mib=most
        )


def _check_zip(archive: zipfile.ZipFile, path: Path, settings: Settings) -> None:
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
    refuse_large(sum(item.file_size for item in archive.infolist()), path, settings)


@contextmanager
def open_container(path: Path, settings: Settings) -> Iterator[Container]:
    """Open a folder or zip of records.

    Raises
    ------
    RecordFileError
        When the zip is broken, encrypted, too large when unpacked, or leaves its folder.
    """

    def in_folder(name: str) -> BinaryIO:
        target = (path / name).resolve()
        if not target.is_relative_to(path.resolve()):
            raise RecordFileError.of("refers_outside_folder", file=path, name=name)
        return target.open("rb")

    if path.is_dir():
        files = (item.relative_to(path).as_posix() for item in path.rglob("*") if item.is_file())
        yield Container(path, sorted(files), in_folder)
        return
    try:
        with zipfile.ZipFile(path) as archive:
            _check_zip(archive, path, settings)
            names = sorted(item.filename for item in archive.infolist() if not item.is_dir())
            yield Container(path, names, archive.open)  # type: ignore[arg-type]
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

    name: str = ""
    layout: Layout | None = None
    defaults: Mapping[str, str] = field(default_factory=dict)
    key: int | None = None
    events: tuple[CorePart, ...] = ()
    verbatim: CorePart | None = None


@dataclass(frozen=True, kw_only=True)
class _Section:
    """The core or an extension as a descriptor describes it: each of its files is such a part."""

    kind: str
    line_end: str
    files: list[str]
    part: CorePart

    def parts(self, names: Collection[str], where: str) -> list[CorePart]:
        """Its files, of those that the container holds.

        Raises
        ------
        RecordFileError
            When it is written in a way that is not read here, or names a file that is not there.
        """
        assert self.part.layout is not None
        delimiter, quote, end = self.part.layout.delimiter, self.part.layout.quote or "", self.line_end
        plain = len(delimiter) == 1 and len(quote) <= 1 and (delimiter + quote).isascii()
        if not plain or delimiter in f"\r\n\0{quote}" or end not in {"\n", "\r\n", "\r"}:
            raise RecordFileError.of(
                "separates_fields_encloses", file=where, delimiter=delimiter, quote=quote, line_end=end
            )
        for name in self.files:
            if _leaves(name) or name not in names:
                raise RecordFileError.of("names_file_not", file=where, location=name)
        return [replace(self.part, name=name) for name in self.files]


def _bounded(text: str | None, most: int, what: str) -> int | None:
    """A whole number from 0 to *most*; None for no text."""
    if text is None or not text.strip():
        return None
    number = int(text) if re.fullmatch(r"\s*\d{1,9}\s*", text) else -1
    if not 0 <= number < most:
        raise ValueError(said("not_whole_number", what=what, text=text[:20], most=most))
    return number


def _read_section(element: ET.Element, folder: PurePosixPath) -> _Section:
    """A section with the defaults of the text guide.

    Defaults: Darwin Core text guide (http://rs.tdwg.org/dwc/terms/guides/text/), section 2.
    """

    def attribute(name: str, default: str) -> str:
        text = element.get(name, default)
        return text.replace("\\t", "\t").replace("\\n", "\n").replace("\\r", "\r")

    kind, is_core = fold(element.get("rowType")), element.tag == "core"
    identifier = element.find("id" if is_core else "coreid")
    index = None if identifier is None else identifier.get("index")
    key = _bounded(index, _MOST_COLUMNS, said("index_of_the_id"))
    terms: dict[int, str] = {}
    defaults: dict[str, str] = {}
    for item in element.findall("field"):
        term, default = item.get("term"), item.get("default")
        if not term:
            raise ValueError(said("field_names_no"))
        place = _bounded(item.get("index"), _MOST_COLUMNS, f"the index of {term[-40:]}")
        if place is not None:
            terms[place] = term
        if default:
            defaults[term] = default
    if is_core and kind != "event" and key is not None and key not in terms:
        terms[key] = "id" if any(fold(term) == "occurrenceid" for term in terms.values()) else "occurrenceID"
    width = max([*terms, -1 if key is None else key, -1]) + 1
    skip_lines = _bounded(element.get("ignoreHeaderLines"), _MOST_SKIPPED, "ignoreHeaderLines") or 0
    layout = Layout(
        encoding=attribute("encoding", "utf-8") or "utf-8",
        delimiter=attribute("fieldsTerminatedBy", ","),
        quote=attribute("fieldsEnclosedBy", '"') or None,
        names=tuple(terms.get(index, "") for index in range(width)),
        skip_lines=skip_lines,
    )
    files = [(folder / (item.text or "").strip()).as_posix() for item in element.findall("files/location")]
    part = CorePart(layout=layout, key=key, defaults=defaults)
    return _Section(kind=kind, line_end=attribute("linesTerminatedBy", "\n"), files=files, part=part)


def _descriptor(container: Container, name: str) -> tuple[_Section, list[_Section]]:
    """The core and the extensions that a descriptor describes."""
    where, folder = f"{container.path}/{name}", PurePosixPath(name).parent
    try:
        root = container.xml(name)
    except ValueError as error:
        raise RecordFileError.of("not_xml", file=where, error=error) from error
    core = root.find("core")
    if core is None or core.find("files/location") is None:
        raise RecordFileError.of("no_core_file", file=where)
    try:
        first, *more = (_read_section(item, folder) for item in (core, *root.findall("extension")))
        return first, more
    except ValueError as error:
        raise RecordFileError.of("not_descriptor_can", file=where, error=error) from error


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
    names = [name for name in container.names if not name.startswith("__MACOSX/")]
    descriptors = [name for name in names if PurePosixPath(name).name == DESCRIPTOR]
    if not descriptors:
        return _bare_tables(container, names)
    parts: list[CorePart] = []
    described: set[str] = set()
    for name in sorted(descriptors, key=lambda name: name.count("/")):
        core, extensions = _descriptor(container, name)
        described.update(*(section.files for section in (core, *extensions)))
        parts += _described_parts(f"{container.path}/{name}", core, extensions, names)
    _refuse_more(container, names, described)
    return parts


def _described_parts(
    where: str, core: _Section, extensions: list[_Section], names: list[str]
) -> list[CorePart]:
    occurrences = [section for section in extensions if section.kind == "occurrence"]
    if core.kind == "event" and occurrences:
        events = tuple(core.parts(names, where))
        parts = [part for section in occurrences for part in section.parts(names, where)]
        return [replace(part, events=events) for part in parts]
    if core.kind in {"taxon", "event", "multimedia", "identification", "measurementorfact"}:
        raise RecordFileError.of("core_rows_no", file=where, kind=core.kind)
    verbatim = None
    with suppress(RecordFileError, IndexError):  # one that cannot be read is ignored as other extensions are
        verbatim = occurrences[0].parts(names, where)[0]
    return [replace(part, verbatim=verbatim) for part in core.parts(names, where)]


def _could_hold_records(container: Container, name: str) -> bool:
    """Whether a file is an archive, sheet or layer, or a text table whose header names a latitude."""
    if not name.lower().endswith(_TABLES) or name.lower().endswith(".parquet"):
        return True
    with container.open(name) as stream:
        header = stream.read(1 << 16).replace(b"\0", b"").partition(b"\n")[0].lower()
    return b"lat" in header and any(mark in header for mark in (b"\t", b",", b";", b"|"))


def _refuse_more(container: Container, names: list[str], described: set[str]) -> None:
    """Refuse a container with files beside its tables that could hold records too."""
    others = (name for name in names if name not in described and name.lower().endswith((*_TABLES, *_UNREAD)))
    more = [name for name in others if _could_hold_records(container, name)]
    if more:
        raise RecordFileError.of(
            "more_beside", file=container.path, more=more[:5], len=" and more" if len(more) > 5 else ""
        )


def _bare_tables(container: Container, names: list[str]) -> list[CorePart]:
    tables = [
        name
        for name in names
        if name.lower().endswith(_TABLES) and PurePosixPath(name).name.lower() not in _NO_TABLES
    ]
    if len(tables) == 1 or (tables and all(name.lower().endswith(".parquet") for name in tables)):
        _refuse_more(container, names, set(tables))
        return [CorePart(name=name) for name in tables]
    fact, remedy = said("no_table_records"), said("darwin_core_archive")
    if tables:
        fact, remedy = said("no_meta_xml", tables=len(tables)), said("each_table_itself")
    raise RecordFileError(fact, file=container.path, remedy=remedy)


def _text_of(element: ET.Element | None) -> str | None:
    return None if element is None else " ".join("".join(element.itertext()).split()) or None


def datasets_of(container: Container) -> list[dict[str, str | None]]:
    """What the archive's metadata say of its data sets: one file each in `dataset/`, else one for all.

    Source: Ecological Metadata Language 2, elements ``dataset/title``,
    ``additionalMetadata//citation`` and ``dataset/intellectualRights``.
    """
    paths = [PurePosixPath(name) for name in container.names]
    chosen: dict[str, str | None] = {
        str(path): path.stem for path in paths if path.parent.name == "dataset" and path.suffix == ".xml"
    }
    if not chosen:
        single = [str(path) for path in paths if path.name.lower() in {"eml.xml", "metadata.xml"}]
        chosen = dict.fromkeys(single[:1])
    out = []
    for name, key in chosen.items():
        with suppress(ValueError):  # metadata that are no XML say nothing
            root = container.xml(name)
            if (dataset := root.find("dataset")) is None:
                continue
            link = dataset.find("intellectualRights//ulink")
            out.append(
                {
                    "datasetKey": key,
                    "title": _text_of(dataset.find("title")),
                    "citation": _text_of(root.find("additionalMetadata//citation")),
                    "license": (None if link is None else link.get("url"))
                    or _text_of(dataset.find("intellectualRights")),
                }
            )
    return out
