"""What a file is, told from its content alone, never from its name."""

from __future__ import annotations

import re
from codecs import utf_8_decode
from typing import Literal

from caldiff.image.model import Format

__all__ = ["HEAD", "Packing", "is_text", "known_stranger", "packing", "text_format"]

HEAD = 64 * 1024
"""Bytes looked at to tell what a file is."""

Packing = Literal["gzip", "zip"]

_GLANCE = 4096
_TEXT = bytes(range(0x20, 0x7F)) + b"\t\n\r\x0b\x0c\x1a"

_DIGITS = b"0123456789ABCDEFabcdef"
_RECORDS: tuple[tuple[Format, bytes], ...] = (
    ("ihex", rb"(?m)^:[0-9A-Fa-f]{8,}[^\n]*$"),
    ("srec", rb"(?m)^[Ss][0-9][0-9A-Fa-f]{6,}[^\n]*$"),
    ("titxt", rb"(?m)^(?:@[0-9A-Fa-f]+|[0-9A-Fa-f]{2}(?: [0-9A-Fa-f]{2})*|[qQ])[ \r]*$"),
)
"""Lines of each format. Compiled when they are first looked for: most files are raw binaries, told without them."""
_FIRST: tuple[tuple[Format, bytes], ...] = (
    ("ihex", rb":[0-9A-Fa-f]{2}"),
    ("srec", rb"[Ss][0-9][0-9A-Fa-f]{2}"),
    ("titxt", rb"@[0-9A-Fa-f]+[ \r]*(?:\n|$)"),
)

# Signatures as the formats' own standards and registrations give them (PNG: ISO/IEC 15948, JPEG: ITU-T T.81, PDF:
# ISO 32000, MDF: ASAM MDF, ...); those without an accessible standard are common practice.
_STRANGERS: tuple[tuple[bytes, str], ...] = (
    (b"%PDF-", "a PDF document"),
    (b"\x89PNG\r\n\x1a\n", "a PNG picture"),
    (b"\xff\xd8\xff\xe0", "a JPEG picture"),
    (b"\xff\xd8\xff\xe1", "a JPEG picture"),
    (b"\xff\xd8\xff\xdb", "a JPEG picture"),
    (b"GIF87a", "a GIF picture"),
    (b"GIF89a", "a GIF picture"),
    (b"II*\x00", "a TIFF picture"),
    (b"MM\x00*", "a TIFF picture"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an office document or a saved mail"),
    (b"{\\rtf", "an RTF document"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!\x1a\x07", "a RAR archive"),
    (b"\xfd7zXZ\x00", "an xz archive"),
    (b"BZh91AY&SY", "a bzip2 archive"),
    (b"\x28\xb5\x2f\xfd", "a zstd archive"),
    (b"MDF     ", "a measurement log (MDF)"),
    (b"UnFinMF ", "a measurement log (MDF)"),
    (b"SQLite format 3\x00", "an SQLite database"),
    (b"ID3\x03\x00", "a sound file"),
    (b"OggS", "a sound or film file"),
    (b"\x1aE\xdf\xa3", "a film file"),
    (b"\x00\x05\x16\x07", "the side file of a folder from a Mac"),
    (b"\x00\x00\x00\x01Bud1", "the side file of a folder from a Mac"),
)
_OFFICE = (b"[Content_Types].xml", b"mimetype", b"_rels/", b"docProps/", b"word/", b"xl/")
_MARKUP = (b"<!doctype", b"<html", b"<head", b"<body", b"<?xml", b"<!--", b"<script", b"<svg")
_UTF16 = (b"\xff\xfe", b"\xfe\xff")


def packing(data: bytes) -> Packing | None:
    """The container that the file is, or None."""
    if data.startswith(b"\x1f\x8b\x08"):
        return "gzip"
    if data.startswith((b"PK\x03\x04", b"PK\x05\x06")) and not _is_office(data):
        return "zip"
    return None


def _is_office(data: bytes) -> bool:
    """Whether a zip's first member is that of an office document (ISO/IEC 29500-2, ISO/IEC 26300-3)."""
    size = int.from_bytes(data[26:28], "little")
    return data.startswith(b"PK\x03\x04") and data[30 : 30 + size].startswith(_OFFICE)


def is_text(data: bytes) -> bool:
    """Whether every byte is plain text, as ASCII or UTF-8. The head is looked at first: it settles most files."""
    head = data[:_GLANCE]
    return _plain(head, whole=len(head) == len(data)) and (len(head) == len(data) or _plain(data, whole=True))


def _plain(data: bytes, *, whole: bool) -> bool:
    if not data.translate(None, _TEXT):
        return True
    try:
        wide, _ = utf_8_decode(data, "strict", whole)  # a character cut in two at the end counts where more follows
    except UnicodeDecodeError:
        return False
    return not wide.encode("ascii", "ignore").translate(None, _TEXT)


def text_format(data: bytes) -> Format | None:
    """The text format that the content is, or mostly looks like; None where it looks like none.

    "Mostly" is told from samples at the head, the middle and the tail: a file whose lines are records there must not be
    taken for a raw binary because of a strange first line.
    """
    first = data[:HEAD].lstrip(b" \t\r\n")
    if is_text(data[:HEAD].rsplit(b"\n", 1)[0]):
        for format_, pattern in _FIRST:
            if re.match(pattern, first):
                return format_
    middle = len(data) // 2
    places = (data[:HEAD], data[middle : middle + HEAD], data[-HEAD:])
    samples = [place for place in places if 2 * len(place.translate(None, _DIGITS)) <= len(place)]
    for format_, pattern in _RECORDS if len(samples) >= 2 else ():  # noqa: PLR2004 - one line is chance
        shares = [_share(pattern, sample) for sample in samples]
        if sum(share >= 0.5 for share in shares) >= 2:  # noqa: PLR2004 - two of the three samples, at least half of each
            return None if format_ == "titxt" and b"@" not in data[:HEAD] else format_
    return None


def _share(pattern: bytes, sample: bytes) -> float:
    found = sum(m.end() - m.start() + 1 for m in re.finditer(pattern, sample))
    return found / max(len(sample), 1)


def known_stranger(data: bytes) -> str | None:
    """What the content is, in words, where it is something known to be no image; None where it may be one."""
    for magic, what in _STRANGERS:
        if data.startswith(magic):
            return what
    if data.startswith(b"PK\x03\x04") and _is_office(data):
        return "an office document"
    if data[:1024].removeprefix(b"\xef\xbb\xbf").lstrip().lower().startswith(_MARKUP):
        return "a web page or XML (perhaps the page that offers the download, not the file)"
    return _by_structure(data)


def _by_structure(data: bytes) -> str | None:
    """Formats without a plain signature at the first byte, each recognised by two facts."""
    program = int.from_bytes(data[60:64], "little")
    facts = (
        ("a BMP picture", data.startswith(b"BM") and int.from_bytes(data[2:6], "little") == len(data)),
        (
            "a picture, sound or film (RIFF)",
            data[:4] == b"RIFF" and int.from_bytes(data[4:8], "little") + 8 == len(data),
        ),
        ("a picture or film (ISO media)", data[4:8] == b"ftyp" and data[:3] == b"\x00\x00\x00"),
        ("a program for Windows", data.startswith(b"MZ") and data[program : program + 4] == b"PE\x00\x00"),
        ("a tar archive", data[257:262] == b"ustar"),
        ("text in UTF-16", data.startswith(_UTF16) and 3 * data[2:512].count(0) > len(data[2:512])),
        ("plain text", is_text(data)),
    )
    return next((what for what, holds in facts if holds), None)
