"""What ``caldiff gate`` judges: the files that are named, and every file below a folder that may be an image."""

from __future__ import annotations

import os
from collections.abc import Sequence

import attrs

from caldiff.cli.folders import Found, below
from caldiff.errors import CaldiffError, FileError
from caldiff.gate.verdict import FileVerdict, Refusal, RuleOutcome
from caldiff.image.content import known_stranger, packing, text_format
from caldiff.image.limits import Limits
from caldiff.image.reading import file_bytes
from caldiff.render.verdict_words import Passed

__all__ = ["Gathered", "gather"]

_SUFFIXES = (".bin", ".elf", ".axf", ".hex", ".ihex", ".ihx", ".mcs", ".mot", ".rom", ".s19", ".s28", ".s37", ".srec")
"""endings of image files, of raw memory and of the formats that are read here (common practice, no source)"""


@attrs.define(kw_only=True, eq=False, repr=False)
class Gathered:
    """What comes of the paths.

    Attributes:
        images: files to be judged.
        refused: what may be an image and cannot be judged.
        passed: what is no image, and why.
    """

    images: list[str] = attrs.Factory(list)
    refused: list[FileVerdict] = attrs.Factory(list)
    passed: list[Passed] = attrs.Factory(list)


def gather(paths: Sequence[str], vault: str) -> Gathered:
    """Every file that was named, and below a folder every one that is not proven to be something else.

    Hidden files count as well. Only the vault itself and ``.git`` are not looked into.

    Raises:
        FileError: a path is not there, a folder cannot be listed, or there is no image below it.
    """
    found = Gathered()
    for path in dict.fromkeys(map(os.path.normpath, paths)):
        if os.path.isdir(path):  # noqa: PTH112 - paths stay as they were given
            _folder(path, os.path.realpath(vault), found)
        elif os.path.exists(path):  # noqa: PTH110 - as above
            found.images.append(path)
        else:
            raise FileError("there is no such file", file=path, hint="an image that is not there is never accepted")
    found.images = list(dict.fromkeys(found.images))
    return found


def _folder(folder: str, vault: str, found: Gathered) -> None:
    def takes(path: str) -> bool:
        apart = ""
        if os.path.isdir(path):  # noqa: PTH112 - as above
            if os.path.basename(path) == ".git":  # noqa: PTH119 - as above
                apart = "the folder of the version control"
            elif os.path.realpath(path) == vault:
                apart = "the vault itself"
        if apart:
            found.passed.append(Passed(path=path, reason=apart))
        return not apart

    before = len(found.images) + len(found.refused)
    if os.path.realpath(folder) == vault:
        raise FileError("this is the vault itself, which holds no file that is to go out", file=folder)
    for one in below(folder, takes=takes):
        _sort(one, found)
    if len(found.images) + len(found.refused) == before:
        raise FileError(
            "there is no image below this folder, so nothing could be judged",
            file=folder,
            hint="an empty set is never accepted; name the folder that holds the images",
        )


def _sort(one: Found, found: Gathered) -> None:
    if one.error is not None:
        raise one.error
    if one.reason:
        found.refused.append(_unjudged(one))
        return
    stranger = _stranger(one.path)
    if stranger:
        found.passed.append(Passed(path=one.path, reason=stranger))
    else:
        found.images.append(one.path)


def _unjudged(one: Found) -> FileVerdict:
    """What is no regular file: whatever it leads to may be an image, and is not looked at here."""
    refusal = Refusal(
        rule="image",
        text="this cannot be judged",
        found=one.reason,
        wanted="the file itself in its place, or nothing there",
    )
    return FileVerdict(path=one.path, rules=(RuleOutcome(rule="image", outcome="refused", refusals=(refusal,)),))


def _stranger(path: str) -> str:
    """What a file is, where its content proves that it is no image; empty where it may be one.

    What is called like an image is judged as one, whatever it holds. So is what cannot be read.
    """
    if path.lower().endswith(_SUFFIXES):
        return ""
    try:
        data = file_bytes(path, limits=Limits())
    except CaldiffError:  # it is too large, or cannot be read
        return ""
    if not data:
        return "an empty file"
    if packing(data) or text_format(data):
        return ""
    return known_stranger(data) or ""
