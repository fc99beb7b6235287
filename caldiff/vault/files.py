"""The files of a vault: their names, and the one way in which each is read and written.

A name is a path inside the vault with slashes, such as ``units/v1/000000.json.gz``.
"""

from __future__ import annotations

import os
import re
import stat
import zlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from io import FileIO

from caldiff.errors import VaultError
from caldiff.storing import store

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import TypeVar

    Taken = TypeVar("Taken")

__all__ = [
    "ASIDE",
    "ATTRIBUTES",
    "ATTRIBUTES_FILE",
    "CHECKPOINT",
    "ENTRY",
    "GZIP_MOST",
    "MARK",
    "MEND",
    "NUMBERS",
    "OBJECT",
    "add_mend",
    "entry_name",
    "find",
    "folders",
    "fresh_folder",
    "get",
    "has_numbered",
    "load",
    "numbers",
    "object_name",
    "pack",
    "place",
    "put",
    "trouble",
    "unpack",
    "walk",
]

MARK = "vault.json"
MEND = ".mend"
ASIDE = "aside"
ATTRIBUTES_FILE = ".gitattributes"
ATTRIBUTES = b"* binary\n"
"""What a git repository has to know of a vault: its files are as they are, and never merged."""
ENTRY = re.compile(r"units/([A-Za-z0-9][A-Za-z0-9._-]{0,63})/([0-9]{6})\.json\.gz")
OBJECT = re.compile(r"objects/([0-9a-f]{2})/(\1[0-9a-f]{62})(|\.gz|\.diff)")
CHECKPOINT = re.compile(r"checkpoints/([0-9]{6})\.json\.gz")
NUMBERS = 1_000_000
"""entries that a unit may have, as its numbers have six digits"""
GZIP_MOST = 256 << 20
"""bytes that a gzipped file may unpack to"""

_PASSED_OVER = {".git", ATTRIBUTES_FILE, ".gitignore", ASIDE}
_GZIP_HEAD = b"\x1f\x8b\x08\0\0\0\0\0\0\xff"
"""Deflated, no name, no time, no level told, system unknown: nothing in it says when and where."""
_LEVEL = 6
"""the strongest takes three times as long over a log, for a fiftieth less"""


# --------------------------------------------------------------------------------------------------------------- names


def entry_name(unit: str, sequence: int) -> str:
    """The file of an entry."""
    return f"units/{unit}/{sequence:06}.json.gz"


def object_name(digest: str, ending: str) -> str:
    """The file of an object in one of its forms: ``""`` as it came, ``".gz"`` or ``".diff"``."""
    return f"objects/{digest[:2]}/{digest}{ending}"


def place(folder: str, name: str) -> str:
    """The path of a file of the vault."""
    return f"{folder}/{name}"


# ------------------------------------------------------------------------------------------------------------- reading


def find(folder: str, name: str) -> bytes | None:
    """A file's bytes, or None where there is none.

    Raises:
        VaultError: it cannot be read, or is no regular file.
    """
    return _read(place(folder, name), FileIO.readall)


def load(folder: str, name: str) -> bytearray:
    """A file's bytes to work on, read without a copy.

    Raises:
        VaultError: it is not there, cannot be read, or is no regular file.
    """
    path = place(folder, name)
    data = _read(path, _into_room)
    if data is None:
        raise VaultError("the vault lacks this file", file=path)
    return data


def _into_room(stream: FileIO) -> bytearray:
    room = bytearray(os.fstat(stream.fileno()).st_size)
    have = stream.readinto(room)
    if have == len(room):
        return room
    stream.seek(0)
    return bytearray(stream.readall())


def _read(path: str, take: Callable[[FileIO], Taken]) -> Taken | None:
    """What is taken from a file, or None where there is none."""
    try:
        # Without waiting, so that a pipe in a file's place is told and not waited for.
        with FileIO(os.open(path, os.O_RDONLY | os.O_NONBLOCK)) as stream:
            if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
                raise VaultError("this is no regular file", file=path)
            return take(stream)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise trouble("the file cannot be read", path, error) from error


def get(folder: str, name: str) -> bytes:
    """A file's bytes.

    Raises:
        VaultError: it is not there, or cannot be read.
    """
    data = find(folder, name)
    if data is None:
        raise VaultError("the vault lacks this file", file=place(folder, name))
    return data


def numbers(folder: str, name: str) -> list[int]:
    """The numbers of the files ``000000.json.gz`` in a folder of the vault, rising; none where there is no folder.

    Raises:
        VaultError: the folder cannot be read.
    """
    path = place(folder, name)
    try:
        found = os.listdir(path)  # noqa: PTH208 - as above
    except FileNotFoundError:
        return []
    except OSError as error:
        raise trouble("the folder cannot be read", path, error) from error
    return sorted(int(one[:6]) for one in found if re.fullmatch(r"[0-9]{6}\.json\.gz", one))


def has_numbered(folder: str, name: str) -> bool:
    """Whether a folder of the vault has a numbered file, or the recovery data of one."""
    try:
        return any(re.fullmatch(r"[0-9]{6}\.json\.gz(\.mend)?", one) for one in os.listdir(place(folder, name)))  # noqa: PTH208 - as above
    except OSError as error:
        raise trouble("the folder cannot be read", place(folder, name), error) from error


def folders(folder: str, name: str) -> list[str]:
    """The names of the folders in a folder of the vault, sorted; none where there is no such folder.

    Raises:
        VaultError: the folder cannot be read.
    """
    path = place(folder, name)
    try:
        with os.scandir(path) as found:
            return sorted(one.name for one in found if one.is_dir())
    except FileNotFoundError:
        return []
    except OSError as error:
        raise trouble("the folder cannot be read", path, error) from error


def walk(folder: str) -> Iterator[str]:
    """The names of all files of the vault and of whatever lies between them, sorted; what is set aside is not.

    Raises:
        VaultError: a folder cannot be read.
    """
    todo = [""]
    while todo:
        above = todo.pop()
        path = place(folder, above) if above else folder
        try:
            with os.scandir(path) as found:
                entries = sorted((one.name, one.is_dir(follow_symlinks=False)) for one in found)
        except OSError as error:
            raise trouble("the folder cannot be read", path, error) from error
        for one, is_folder in entries:
            if not above and one in _PASSED_OVER:
                continue
            name = f"{above}/{one}" if above else one
            if is_folder:
                todo.append(name)
            else:
                yield name


# ------------------------------------------------------------------------------------------------------------- writing


def put(folder: str, name: str, data: bytes, *, mend: bool = True) -> bool:
    """Write a file that is not there yet, then its recovery data (unless ``mend`` is false).

    Returns:
        True: written. False: the file was there already, and was left alone.

    Raises:
        VaultError: it cannot be written; the file is then not there, or there whole without recovery data.
    """
    path = place(folder, name)
    try:
        _folders(folder, name)
        store(path, data)
    except FileExistsError:
        return False
    except OSError as error:
        raise trouble("the file cannot be written", path, error) from error
    if mend:
        add_mend(folder, name, data)
    return True


def fresh_folder(path: str) -> None:
    """Make a folder, or see that one has nothing in it that a vault would have to pass over.

    Raises:
        VaultError: it holds something, is no folder, or cannot be made.
    """
    try:
        os.makedirs(path, exist_ok=True)  # noqa: PTH103 - as above
        found = sorted(set(os.listdir(path)) - _PASSED_OVER)  # noqa: PTH208 - as above
    except FileExistsError as error:
        raise VaultError("this is no folder", file=path) from error
    except OSError as error:
        raise trouble("the folder cannot be made", path, error) from error
    if MARK in found:
        raise VaultError("this folder is a vault already", file=path)
    if found:
        raise VaultError("a vault wants a folder of its own, and this one is not empty", file=path, got=found[0])


def add_mend(folder: str, name: str, data: bytes) -> bool:
    """Write the recovery data of a file where there is none yet; say whether it was written.

    Raises:
        VaultError: it cannot be written.
    """
    path = place(folder, name) + MEND
    if os.path.exists(path):  # noqa: PTH110 - as above
        return False
    from caldiff.vault.mend import make_mend  # noqa: PLC0415 - not for those who only read

    try:
        store(path, make_mend(name, data))
    except FileExistsError:
        return False
    except OSError as error:
        raise trouble("the recovery data cannot be written", path, error) from error
    return True


def _folders(folder: str, name: str) -> None:
    """Make the folders that a file lies in, and make them last."""
    path = folder
    for part in name.split("/")[:-1]:
        above, path = path, os.path.join(path, part)  # noqa: PTH118 - as above
        if not os.path.isdir(path):  # noqa: PTH112 - as above
            with suppress(FileExistsError):
                os.mkdir(path)  # noqa: PTH102 - as above
            opened = os.open(above, os.O_RDONLY)
            try:
                os.fsync(opened)
            finally:
                os.close(opened)


def trouble(reason: str, path: str, error: OSError) -> VaultError:
    """What the system said, as an error of ours."""
    said = error.strerror or str(error)
    return VaultError(f"{reason}: {said[:1].lower()}{said[1:]}", file=path)


# ---------------------------------------------------------------------------------------------------------------- gzip


def pack(data: bytes) -> bytes:
    """The bytes gzipped, with a header that says nothing of when and where."""
    deflate = zlib.compressobj(_LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
    body = deflate.compress(data) + deflate.flush()
    tail = zlib.crc32(data).to_bytes(4, "little") + (len(data) & 0xFFFFFFFF).to_bytes(4, "little")
    return _GZIP_HEAD + body + tail


def unpack(data: bytes, *, most: int = GZIP_MOST) -> bytes:
    """What :func:`pack` was given.

    Raises:
        VaultError: no gzip of that very form, a broken one, or one that holds more than ``most`` bytes. No ``file``.
    """
    if not data.startswith(_GZIP_HEAD):
        raise VaultError("this is no gzip as a vault writes it")
    inflate = zlib.decompressobj(zlib.MAX_WBITS | 16)
    try:
        content = inflate.decompress(data, most + 1)
    except zlib.error as error:
        raise VaultError(f"the gzip is broken: {error}") from error
    if len(content) > most:
        raise VaultError("the gzip holds more than it may", expected=f"at most {most} bytes")
    if not inflate.eof:
        raise VaultError("the gzip ends too early")
    if inflate.unused_data:
        raise VaultError("something follows the gzip", got=f"{len(inflate.unused_data)} bytes")
    return content
