"""The folder that a store lies in: on a disk, or readable through a file system's address."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from poolbuilder.errors import MissingExtraError, StoreError

__all__ = ["REPAIR", "Folder", "told"]

REPAIR = "`poolbuilder add --check` says what is wrong and repairs what it can"


@contextmanager
def told(path: str, doing: str) -> Iterator[None]:
    """Turn the system's errors into a `StoreError` that names the file and the remedy."""
    try:
        yield
    except FileNotFoundError as error:
        raise StoreError(f"{path}: is missing ({REPAIR})") from error
    except PermissionError as error:
        raise StoreError(f"{path}: no permission for {doing} (check the folder's owner and mode)") from error
    except OSError as error:
        # numpy tells a short write in words only, pyarrow a broken page
        if error.errno == errno.ENOSPC or "No space left" in str(error) or "requested and" in str(error):
            raise StoreError(
                f"{path}: no space left on the disk for {doing} (free some; the store is as it was before)"
            ) from error
        what = "is broken" if doing == "reading" and error.errno is None else f"{doing} failed"
        raise StoreError(f"{path}: {what}: {' '.join(str(error).split())} ({REPAIR})") from error


class Folder:
    """A store's files by name.

    Parameters
    ----------
    place : path or address
        A folder, or an address such as ``s3://bucket/store``; the latter can only be read.
    """

    def __init__(self, place: str | Path) -> None:
        self.name = str(place)
        self.footers: dict[str, Any] = {}
        self._filesystem: Any = None
        if "://" in self.name and not self.name.startswith("file://"):
            self._filesystem, self._root = _remote(self.name)
            self.path: Path | None = None
        else:
            self.path = Path(self.name.removeprefix("file://"))

    def __getstate__(self) -> str:
        return self.name

    def __setstate__(self, state: str) -> None:
        self.__init__(state)  # type: ignore[misc]

    @property
    def local(self) -> Path:
        """The folder on disk; a store behind an address cannot be written."""
        if self.path is None:
            raise StoreError(
                f"{self.name}: a store behind an address can only be read "
                f"(add to a folder on disk, then copy it there)"
            )
        return self.path

    def label(self, name: str) -> str:
        """A file's name for messages."""
        return str(self.path / name) if self.path is not None else f"{self.name.rstrip('/')}/{name}"

    def source(self, name: str) -> Any:
        """What pyarrow opens: a path, or an open remote file."""
        if self.path is not None:
            return str(self.path / name)
        return self._filesystem.open_input_file(f"{self._root}/{name}")

    def read(self, name: str) -> bytes | None:
        """A small file's bytes; None when it does not exist."""
        try:
            with told(self.label(name), "reading"):
                if self.path is not None:
                    return (self.path / name).read_bytes()
                with self._filesystem.open_input_stream(f"{self._root}/{name}") as stream:
                    return bytes(stream.read())
        except StoreError as error:
            if isinstance(error.__cause__, FileNotFoundError | NotADirectoryError):
                return None
            raise

    def size(self, name: str) -> int | None:
        """A file's size in bytes; None when it does not exist."""
        if self.path is None:
            info = self._filesystem.get_file_info(f"{self._root}/{name}")
            return int(info.size) if info.is_file else None
        try:
            found = (self.path / name).stat()
        except (FileNotFoundError, NotADirectoryError):
            return None
        except PermissionError as error:
            raise StoreError(
                f"{self.label(name)}: no permission for reading (check the folder's owner and mode)"
            ) from error
        return found.st_size if stat.S_ISREG(found.st_mode) else None

    def stamp(self, name: str) -> tuple[int, int, int] | None:
        """Identity, time and size of a file, to see whether it changed; None behind an address."""
        if self.path is None:
            return None
        try:
            found = (self.path / name).stat()
        except OSError:
            return None
        return found.st_ino, found.st_mtime_ns, found.st_size

    def replace(self, name: str, content: bytes) -> None:
        """Write a small file all at once: readers see the old one or the new one."""
        path = self.local / name
        beside = path.with_name(f"{name}.new")
        with told(str(path), "writing"):
            try:
                with beside.open("wb") as stream:
                    stream.write(content)
                    stream.flush()
                    os.fsync(stream.fileno())
                beside.replace(path)
            except OSError:
                beside.unlink(missing_ok=True)
                raise


def _remote(address: str) -> tuple[Any, str]:
    from pyarrow import fs

    try:
        filesystem, root = fs.FileSystem.from_uri(address)
    except (ValueError, OSError, NotImplementedError):
        try:
            import fsspec
        except ImportError as error:
            raise MissingExtraError(
                f"{address}: reading a store there needs fsspec (pip install 'poolbuilder[dask]')"
            ) from error
        try:
            inner, root = fsspec.core.url_to_fs(address)
        except (ValueError, ImportError, OSError) as error:
            raise StoreError(f"{address}: is no address that can be read: {error}") from error
        filesystem = fs.PyFileSystem(fs.FSSpecHandler(inner))
    return filesystem, str(root).rstrip("/")
