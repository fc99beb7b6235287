"""Files in one file: a plain zip without compression, so that any program unpacks it; read with distrust."""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Mapping
from io import BytesIO
from struct import error as StructError  # noqa: N812 - what zipfile lets through
from zlib import error as ZlibError  # noqa: N812 - as above

from caldiff.errors import VaultError

__all__ = ["unzipped", "zipped"]

_MOST = 400_000
"""files"""
_DATE = (1980, 1, 1, 0, 0, 0)
"""the first that a zip can tell: equal files make equal zips"""
_ORDINARY = 0o100644 << 16
_UNIX = 3
_LOCKED = 1
_NO_ZIP = (
    zipfile.BadZipFile,
    zipfile.LargeZipFile,
    EOFError,
    LookupError,
    NotImplementedError,
    OSError,
    OverflowError,
    RuntimeError,
    StructError,
    ValueError,
    ZlibError,
)


def zipped(files: Mapping[str, bytes]) -> bytes:
    """The zip of files by name, in their order."""
    out = BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as made:
        for name, data in files.items():
            about = zipfile.ZipInfo(name, _DATE)
            about.create_system = _UNIX
            about.external_attr = _ORDINARY
            made.writestr(about, data)
    return out.getvalue()


def unzipped(data: bytes, *, wanted: Callable[[str], bool]) -> dict[str, bytes]:
    """The files of a zip by name. All of them together are no larger than the zip is.

    Args:
        data: the zip.
        wanted: whether a file of that name may be in it. Names are compared as they stand, so there is no way out of a
            folder for one that ``wanted`` holds against a pattern.

    Raises:
        VaultError: no zip, a broken one, or one with compressed, locked, doubled or unwanted files.
    """
    try:
        with zipfile.ZipFile(BytesIO(data)) as found:
            members = found.infolist()
            _check(members, len(data), wanted)
            return {member.filename: found.read(member) for member in members}
    except _NO_ZIP as error:
        raise VaultError(f"the zip is broken: {error}" if str(error) else "the zip is broken") from error


def _check(members: list[zipfile.ZipInfo], size: int, wanted: Callable[[str], bool]) -> None:
    if len(members) > _MOST:
        raise VaultError("there are too many files in it", expected=f"at most {_MOST}", got=str(len(members)))
    seen: set[str] = set()
    for member in members:
        name = member.orig_filename
        if name in seen:
            raise VaultError("a file stands in it twice", got=f"{name!r:.80}")
        if name != member.filename or not wanted(name):
            raise VaultError("a file in it does not belong there", got=f"{name!r:.80}")
        if member.compress_type != zipfile.ZIP_STORED or member.flag_bits & _LOCKED:
            raise VaultError(
                "a file in it is compressed or locked",
                got=f"{name!r:.80}",
                expected="every file as it is",
                hint="take the file that caldiff export wrote, not one that was packed again",
            )
        seen.add(name)
    if sum(member.file_size for member in members) > size:
        raise VaultError("the files in it are larger than it is itself", got=f"{size} bytes")
