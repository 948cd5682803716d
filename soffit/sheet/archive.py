"""ZIP archives that are the same bytes for the same files, and that are read with suspicion.

An archive is written in one way only: entries sorted by name, one date, no extra fields, no
comments. On reading, the archive is rebuilt from what was read and set against the bytes given, so
that whatever was changed anywhere, headers included, is noticed, but for the few bits that nobody
reads at the end of deflated text. Sizes are judged before anything is unpacked.
"""

from __future__ import annotations

import io
import re
import stat
import struct
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from soffit.errors import InputError

# Own limits: a release is a dozen files; the largest of real parts tried were below 100 MB.
MAX_FILES = 64
MAX_BYTES = 1_000_000_000
# Text of coordinates shrinks by 5 to 30 (measured on real files); more is made to fill the memory.
MAX_RATIO, RATIO_FROM = 250, 1_000_000
MAX_NAME = 200

# 1 January 1980, the first day that the format knows (PKWARE APPNOTE 6.3, 4.4.6).
_DATE = (1 << 5) | 1
_UTF8 = 0x800
_DEFLATED = zipfile.ZIP_DEFLATED
_REGULAR = (stat.S_IFREG | 0o644) << 16
# What is a path, a drive, or no name on some system; and names that Windows keeps for devices.
_UNSAFE = re.compile(r'[\x00-\x1f\x7f/\\:*?"<>|]|^\.|[. ]$')
_DEVICE = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)


@dataclass(frozen=True)
class _Entry:
    """One file as it lies in an archive: `raw` are its deflated bytes."""

    name: str
    crc: int
    size: int
    raw: bytes


def pack(files: Mapping[str, bytes]) -> bytes:
    """An archive of these files. Raises InputError for a name that is not safe everywhere."""
    entries = []
    for name, data in sorted(files.items()):
        if unsafe(name):
            raise InputError(f"packing {name!r}: such a name is not safe on every system; name the "
                             "part's file with letters, digits, - and _")
        deflate = zlib.compressobj(9, zlib.DEFLATED, -15)
        entries.append(_Entry(name, zlib.crc32(data), len(data),
                              deflate.compress(data) + deflate.flush()))
    return _bytes_of(entries)


def unpack(data: bytes, source: str) -> dict[str, bytes]:
    """The files in an archive that `pack` made, by name.

    Raises InputError, naming `source` and the fault, for anything else.
    """
    def wrong(what: str) -> InputError:
        return InputError(f"reading {source}: {what}; take the package as it was sent")

    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        infos = archive.infolist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, OverflowError, EOFError,
            RuntimeError, struct.error):
        raise wrong("it is no ZIP archive, or it is cut short") from None
    for fault in _faults(infos):
        raise wrong(fault)
    entries = []
    for info in infos:
        start = info.header_offset + 30 + len(info.filename.encode())
        entry = _Entry(info.filename, info.CRC, info.file_size,
                       data[start:start + info.compress_size])
        text = _inflated(entry)
        if text is None:
            raise wrong(f"{entry.name} is damaged")
        entries.append((entry, text))
    if _bytes_of(entry for entry, _ in entries) != data:
        raise wrong("a byte outside its files was changed, or it was packed again")
    return {entry.name: text for entry, text in entries}


def _inflated(entry: _Entry) -> bytes | None:
    """What an entry holds; None where that is not what its header says."""
    inflate = zlib.decompressobj(-15)
    try:
        text = inflate.decompress(entry.raw, entry.size + 1)
    except zlib.error:
        return None
    whole = inflate.eof and not inflate.unused_data and not inflate.unconsumed_tail
    return text if whole and len(text) == entry.size and zlib.crc32(text) == entry.crc else None


def unsafe(name: str) -> bool:
    """Whether a name could be a path, a device, or not be written on some system."""
    return (not 0 < len(name) <= MAX_NAME or bool(_UNSAFE.search(name))
            or bool(_DEVICE.match(name)))


def _faults(infos: list[zipfile.ZipInfo]) -> Iterable[str]:
    """What is wrong with the entries of an archive, before any is unpacked."""
    if len(infos) > MAX_FILES:
        yield f"it holds {len(infos)} files, more than {MAX_FILES}"
    for info in infos:
        shown = repr(info.filename[:60])
        kind = stat.S_IFMT(info.external_attr >> 16)
        if stat.S_ISLNK(info.external_attr >> 16):
            yield f"{shown} is a link to somewhere else"
        if unsafe(info.filename) or kind not in (0, stat.S_IFREG):
            yield f"{shown} is no plain name of a file, and could lead out of a folder"
        if info.flag_bits & 1:
            yield f"{shown} is locked by a password"
        if info.compress_type != _DEFLATED:
            yield f"{shown} is packed in a way that is not read"
        if info.file_size > RATIO_FROM and info.file_size > MAX_RATIO * max(info.compress_size, 1):
            yield f"{shown} would unpack to {MAX_RATIO} times its size and more"
    total = sum(info.file_size for info in infos)
    if total > MAX_BYTES:
        yield f"it would unpack to {total // 1_000_000} MB, more than {MAX_BYTES // 1_000_000}"
    # Some systems take two names for one that differ in case alone.
    twice = [name for name, n in Counter(i.filename.casefold() for i in infos).items() if n > 1]
    if twice:
        yield f"{twice[0][:60]!r} is in it twice"


def _bytes_of(entries: Iterable[_Entry]) -> bytes:
    """The archive of these entries, in their order (PKWARE APPNOTE 6.3, 4.3)."""
    body, directory, count = io.BytesIO(), io.BytesIO(), 0
    for entry in entries:
        name = entry.name.encode()
        flags = 0 if entry.name.isascii() else _UTF8
        common = struct.pack("<HHHHHIIIHH", 20, flags, _DEFLATED, 0, _DATE, entry.crc,
                             len(entry.raw), entry.size, len(name), 0)
        directory.write(struct.pack("<IH", 0x02014B50, (3 << 8) | 20) + common
                        + struct.pack("<HHHII", 0, 0, 0, _REGULAR, body.tell()) + name)
        body.write(struct.pack("<I", 0x04034B50) + common + name + entry.raw)
        count += 1
    index = directory.getvalue()
    end = struct.pack("<IHHHHIIH", 0x06054B50, 0, 0, count, count, len(index), body.tell(), 0)
    return body.getvalue() + index + end
