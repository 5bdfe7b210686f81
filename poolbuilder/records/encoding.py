"""Text of any encoding as UTF-8, block by block."""

from __future__ import annotations

import codecs
import io
from collections import Counter
from typing import Any, BinaryIO

__all__ = ["BLOCK_BYTES", "Utf8Stream", "decoded", "encoding_of"]

BLOCK_BYTES = 2 << 20
_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


class Utf8Stream(io.RawIOBase):
    """Any encoding in, UTF-8 out.

    Bytes of a UTF-8 file that are not UTF-8 are read as Latin-1 (with the printable
    characters of Windows-1252), and counted: a wrong accent is better than a lost record.
    """

    def __init__(self, raw: BinaryIO, encoding: str, tally: Counter[str]) -> None:
        super().__init__()
        self._raw = raw
        self._tally = tally
        self._is_utf8 = codecs.lookup(encoding).name in {"utf-8", "ascii", "utf-8-sig"}
        errors = "surrogateescape" if self._is_utf8 else "replace"
        self._decoder = codecs.getincrementaldecoder("utf-8" if self._is_utf8 else encoding)(errors)
        self._rest = b""
        self._done = False

    def readable(self) -> bool:
        """Whether it can be read: always."""
        return True

    def _more(self) -> bytes:
        chunk = self._raw.read(BLOCK_BYTES)
        self._done = not chunk
        text = self._decoder.decode(chunk, final=self._done)
        if self._is_utf8:
            try:
                return text.encode()
            except UnicodeEncodeError:
                text, replaced = decoded(text)
                self._tally["latin1"] += replaced
        elif "\ufffd" in text:
            self._tally["undecodable"] += text.count("\ufffd")
        return text.encode()

    def read(self, size: int = -1) -> bytes:
        """Up to *size* bytes, fewer only at the end."""
        parts, have = [self._rest], len(self._rest)
        while not self._done and (size < 0 or have < size):
            parts.append(self._more())
            have += len(parts[-1])
        whole = b"".join(parts)
        end = have if size < 0 else size
        self._rest = whole[end:]
        return whole[:end]

    def readinto(self, buffer: Any) -> int:
        """Fill *buffer*; for readers that prefer it."""
        data = self.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)


def decoded(text: str) -> tuple[str, int]:
    """Escaped bytes in *text* as Windows-1252, else Latin-1; also how many there were."""
    out, replaced = [], 0
    for letter in text:
        code = ord(letter)
        if 0xDC80 <= code <= 0xDCFF:
            byte = bytes([code - 0xDC00])
            out.append(byte.decode("cp1252", errors="ignore") or byte.decode("latin-1"))
            replaced += 1
        else:
            out.append(letter)
    return "".join(out), replaced


def encoding_of(head: bytes) -> str:
    """The encoding that a byte order mark or many zero bytes betray; else UTF-8."""
    for mark, name in _BOMS:
        if head.startswith(mark):
            return name
    sample = head[:4096]
    if len(sample) > 3 and sample.count(0) > len(sample) // 4:
        return "utf-16-le" if sample[1::2].count(0) >= sample[::2].count(0) else "utf-16-be"
    return "utf-8"
