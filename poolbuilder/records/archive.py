"""Darwin Core Archives: the descriptor, the parts that hold records, and what is told of the data sets.

Nothing is unpacked to disk: parts of a zip are read through it.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import BinaryIO, Protocol

import dwca.descriptors
from dwca.exceptions import InvalidArchive

from poolbuilder.errors import RecordFileError
from poolbuilder.names.vocabularies import fold
from poolbuilder.settings import Settings

MIB = 1 << 20
DESCRIPTOR = "meta.xml"
_MAX_XML = 16 * MIB
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
            raise RecordFileError(
                f"refers to {name!r}, outside its folder", file=self.path, remedy="do not use this archive"
            )
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
        if _leaves(item.filename):
            raise RecordFileError(
                f"holds {item.filename!r}, which would leave its folder",
                file=path,
                remedy="do not use this archive; ask its publisher for a sound one",
            )
        if item.flag_bits & 0x1:
            raise RecordFileError("is encrypted", file=path, remedy="unpack it with its password first")
        unpacked += item.file_size
    if unpacked > settings.max_unpacked_mib * MIB:
        raise RecordFileError(
            f"would unpack to {unpacked / MIB:,.0f} MiB, the limit is {settings.max_unpacked_mib:,.0f}",
            file=path,
            remedy="raise the setting maxUnpackedMib if you trust its source",
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
        raise RecordFileError(
            f"is a broken zip: {error}", file=path, remedy="download it again; unpack it yourself if it opens"
        ) from error


@dataclass(frozen=True, kw_only=True)
class CorePart:
    """One file of records, and how the descriptor says it is written.

    ``names`` is None when the file has its own header and no descriptor.  ``events`` are
    the parts of the event table that the records refer to by the column ``key``; in such a
    part itself ``key`` is the event's identifier.  ``verbatim`` is the extension in which a
    download of the service repeats the records as they were given.
    """

    name: str
    encoding: str = "utf-8"
    delimiter: str = ","
    quote: str | None = '"'
    skip_lines: int = 0
    names: tuple[str, ...] | None = None
    defaults: tuple[tuple[str, str], ...] = ()
    key: int | None = None
    events: tuple[CorePart, ...] = ()
    verbatim: CorePart | None = None


_GUIDE_DEFAULTS = (
    ("encoding", "utf-8"),
    ("fieldsTerminatedBy", ","),
    ("linesTerminatedBy", "\\n"),
    ("fieldsEnclosedBy", '"'),
)


def _local(tag: str) -> str:
    return tag.rsplit("}", 1)[-1]


def _complete(section: ET.Element) -> None:
    """Set what a section leaves out, as the text guide has it."""
    for name, value in _GUIDE_DEFAULTS:
        if section.get(name) is None or (name == "encoding" and not section.get(name)):
            section.set(name, value)


def _plain_descriptor(text: bytes, where: str) -> str:
    """The descriptor without namespaces, with the defaults of the text guide, and with no
    extension but the occurrences of an event core.

    Defaults: Darwin Core text guide (http://rs.tdwg.org/dwc/terms/guides/text/), section 2.
    """
    root = ET.fromstring(text)
    for element in root.iter():
        element.tag = _local(element.tag)
    core = root.find("core")
    if core is None or core.find("files/location") is None:
        raise RecordFileError("names no core file", file=where, remedy="this is no archive of records")
    of_events = fold(core.get("rowType")) == "event"
    for extension in root.findall("extension"):
        if not of_events or fold(extension.get("rowType")) != "occurrence":
            root.remove(extension)
    for section in [core, *root.findall("extension")]:
        _complete(section)
    if core.find("id") is None:
        ET.SubElement(core, "id", {"index": "-1"})
    return ET.tostring(root, encoding="unicode")


def _descriptor(container: Container, name: str) -> dwca.descriptors.ArchiveDescriptor:
    where = f"{container.path}/{name}"
    with container.open(name) as stream:
        text = stream.read(_MAX_XML)
    try:
        return dwca.descriptors.ArchiveDescriptor(_plain_descriptor(text, where))
    except RecordFileError:
        raise
    except ET.ParseError as error:
        raise RecordFileError(
            f"is not XML: {error}", file=where, remedy="download the archive again"
        ) from error
    except (InvalidArchive, AttributeError, TypeError, ValueError, LookupError) as error:
        raise RecordFileError(
            f"is not a descriptor that can be read: {error}",
            file=where,
            remedy="give the text file inside as a table instead",
        ) from error


def _headings(core: dwca.descriptors.DataFileDescriptor) -> tuple[str, ...]:
    placed = {item["index"]: item["term"] for item in core.fields if item["index"] is not None}
    key = _key(core)
    has_identifier = any(fold(term) == "occurrenceid" for term in placed.values())
    if key is not None and key not in placed and core.represents_corefile and fold(core.type) != "event":
        placed[key] = "id" if has_identifier else "occurrenceID"
    width = max([*placed, -1 if key is None else key, -1]) + 1
    return tuple(placed.get(index, "") for index in range(width))


def _key(section: dwca.descriptors.DataFileDescriptor) -> int | None:
    index = section.id_index if section.represents_corefile else section.coreid_index
    return None if index is None or index < 0 else int(index)


def _terminators(core: dwca.descriptors.DataFileDescriptor, where: str) -> tuple[str, str | None]:
    delimiter, quote = core.fields_terminated_by, core.fields_enclosed_by
    if len(delimiter) != 1 or len(quote) > 1 or core.lines_terminated_by not in {"\n", "\r\n", "\r"}:
        raise RecordFileError(
            f"separates fields by {delimiter!r}, encloses them in {quote!r} and ends lines with "
            f"{core.lines_terminated_by!r}",
            file=where,
            remedy="only single characters and ordinary line ends are read; write the table anew as CSV",
        )
    return delimiter, quote or None


def core_parts(container: Container) -> list[CorePart]:
    """The files of a container that hold its records.

    With a descriptor: the core's files, or the occurrences of an event core, each with the
    event table that they refer to.  Without one: the only table, or the tables that are
    parts of one download.

    Raises
    ------
    RecordFileError
        When the descriptor cannot be read, the archive is not about occurrences, a file is
        missing, or it is not clear which table is meant.
    """
    names = [name for name in container.names() if not name.startswith("__MACOSX/")]
    found = sorted(
        (name for name in names if PurePosixPath(name).name == DESCRIPTOR), key=lambda name: name.count("/")
    )
    if not found:
        return _bare_tables(container, names)
    where = f"{container.path}/{found[0]}"
    descriptor = _descriptor(container, found[0])
    core = descriptor.core
    folder = PurePosixPath(found[0]).parent
    if fold(core.type) == "event" and descriptor.extensions:
        events = tuple(_parts_of(core, folder, names, where))
        return [
            replace(part, events=events)
            for extension in descriptor.extensions
            for part in _parts_of(extension, folder, names, where)
        ]
    if fold(core.type) in {"taxon", "event", "multimedia", "identification", "measurementorfact"}:
        raise RecordFileError(
            f"its core holds rows of {fold(core.type)} and no occurrences",
            file=where,
            remedy="give an archive with occurrences, or its occurrence table with coordinates",
        )
    parts = _parts_of(core, folder, names, where)
    return [replace(part, verbatim=_verbatim(container, found[0], names)) for part in parts]


def _verbatim(container: Container, name: str, names: list[str]) -> CorePart | None:
    """The extension of occurrences beside a core of occurrences; None when it cannot be read."""
    with container.open(name) as stream:
        root = ET.fromstring(stream.read(_MAX_XML))
    for element in root.iter():
        element.tag = _local(element.tag)
    for section in root.findall("extension"):
        if fold(section.get("rowType")) != "occurrence":
            continue
        _complete(section)
        try:
            described = dwca.descriptors.DataFileDescriptor.make_from_metafile_section(section)
            return _parts_of(described, PurePosixPath(name).parent, names, name)[0]
        except (RecordFileError, AttributeError, TypeError, ValueError, LookupError):
            return None  # an extension that cannot be read is ignored as the others are
    return None


def _parts_of(
    section: dwca.descriptors.DataFileDescriptor, folder: PurePosixPath, names: list[str], where: str
) -> list[CorePart]:
    delimiter, quote = _terminators(section, where)
    parts = []
    for location in section.raw_element.findall("files/location"):
        name = (folder / (location.text or "").strip()).as_posix()
        if _leaves(name) or name not in names:
            raise RecordFileError(
                f"names the file {location.text!r}, which is not in the archive",
                file=where,
                remedy="download the archive again",
            )
        parts.append(
            CorePart(
                name=name,
                encoding=section.file_encoding,
                delimiter=delimiter,
                quote=quote,
                skip_lines=section.lines_to_ignore,
                names=_headings(section),
                defaults=tuple((item["term"], item["default"]) for item in section.fields if item["default"]),
                key=_key(section),
            )
        )
    return parts


def _bare_tables(container: Container, names: list[str]) -> list[CorePart]:
    tables = [
        name
        for name in names
        if name.lower().endswith(_TABLES)
        and PurePosixPath(name).name.lower() not in {"citations.txt", "rights.txt"}
    ]
    if any(name.startswith("xl/") for name in names):
        raise RecordFileError("is a spreadsheet", file=container.path, remedy="save the sheet as CSV UTF-8")
    parquet = [name for name in tables if name.lower().endswith(".parquet")]
    if len(tables) == 1 or (parquet and len(parquet) == len(tables)):
        return [CorePart(name=name) for name in tables]
    raise RecordFileError(
        f"has no meta.xml and holds {len(tables)} tables" if tables else "holds no table of records",
        file=container.path,
        remedy="give the table itself" if tables else "a Darwin Core Archive holds meta.xml and a text table",
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
        root = ET.fromstring(text)
    except ET.ParseError:
        return None
    for element in root.iter():
        element.tag = _local(element.tag)
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
        with container.open(name) as stream:
            words = dataset_words(stream.read(_MAX_XML), key)
        if words:
            out.append(words)
    return out
