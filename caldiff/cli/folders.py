"""Folders named on the command line: the files below them, in an order that does not change."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator

import attrs

from caldiff.errors import CaldiffError, FileError

__all__ = ["Found", "below"]


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Found:
    """Something below a folder: a file to be read, or with ``reason`` why it is not, or the ``error`` it met with."""

    path: str
    reason: str = ""
    error: CaldiffError | None = None


def _visible(path: str) -> bool:
    """Neither hidden nor a vault, whose files are looked at by commands of their own."""
    hidden = os.path.basename(path).startswith(".")  # noqa: PTH119 - as elsewhere
    return not hidden and not os.path.isfile(os.path.join(path, "vault.json"))  # noqa: PTH113, PTH118 - as elsewhere


def below(folder: str, *, takes: Callable[[str], bool] = _visible) -> Iterator[Found]:
    """Every file below a folder, by name, folder by folder; hidden ones and vaults left out, or what ``takes`` says.

    Links are followed to files inside the folder only: no answer depends on what lies elsewhere, and none goes round in
    circles.
    """
    root = os.path.realpath(folder)
    waiting = [folder]
    while waiting:
        path = waiting.pop()
        if os.path.isdir(path) and not (path != folder and os.path.islink(path)):  # noqa: PTH112, PTH114 - as elsewhere
            try:
                names = sorted(os.listdir(path), reverse=True)  # noqa: PTH208 - names are text here
            except OSError as error:
                yield Found(path=path, error=FileError(f"cannot be read: {error.strerror}", file=path))
                continue
            paths = (os.path.join(path, name) for name in names)  # noqa: PTH118 - keeps the path as it was given
            waiting += [one for one in paths if takes(one)]
        else:
            yield Found(path=path, reason=_obstacle(path, root))


def _obstacle(path: str, root: str) -> str:
    """Why something is no file to be read; empty where it is one."""
    if os.path.islink(path):  # noqa: PTH114 - as above
        target = os.path.realpath(path)
        if not os.path.exists(target):  # noqa: PTH110 - as above
            return "a link that leads nowhere"
        if os.path.isdir(target):  # noqa: PTH112 - as above
            return "a link to a folder, not followed"
        if os.path.commonpath([root, target]) != root:
            return "a link that leads out of the folder, not followed"
    return "" if os.path.isfile(path) else "no regular file"  # noqa: PTH113 - as above
