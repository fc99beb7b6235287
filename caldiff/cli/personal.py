"""What identifies somebody, at the prompt: shown in full or not, and the key that it is matched by in documents."""

from __future__ import annotations

import os
from argparse import ArgumentParser, Namespace

from caldiff.errors import FileError, UsageError
from caldiff.table.personal import Key

__all__ = ["add_key_option", "add_personal_options", "key_for", "read_key"]

_LONGEST = 1 << 16
_HINT = "a key is a file of 32 random bytes, made once and kept by the shop"


def add_personal_options(group: ArgumentParser) -> None:
    """``--show-personal`` and ``--key``."""
    group.add_argument("--show-personal", action="store_true", help="do not shorten what identifies somebody")
    group.add_argument(
        "--key",
        metavar="FILE",
        help="with --json: match what identifies somebody by its HMAC under the key in this file "
        "(default: the file that CALDIFF_KEY_FILE names, if any)",
    )


def key_for(options: Namespace) -> Key | None:
    """The key of a document, if there is one.

    Raises:
        UsageError: a key without a document, or one that is too short.
        FileError: it cannot be read.
    """
    if not options.json:
        if options.key is not None:
            raise UsageError("--key does nothing without --json", hint="only a document holds digests for matching")
        return None
    return read_key(options)


def add_key_option(group: ArgumentParser, what: str) -> None:
    """``--key``, for ``what`` is done with it."""
    group.add_argument("--key", metavar="FILE", help=f"{what} (default: the file that CALDIFF_KEY_FILE names, if any)")


def read_key(options: Namespace) -> Key | None:
    """The key of ``--key``, else of the environment; None where neither names one.

    Raises:
        UsageError: it is too short or too long.
        FileError: it cannot be read.
    """
    path = os.environ.get("CALDIFF_KEY_FILE", "") if options.key is None else options.key
    if options.key is None and not path:
        return None
    try:
        with open(path, "rb") as file:  # noqa: PTH123 - a Path costs more than it gives
            secret = file.read(_LONGEST + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "this is no name of a file"
        raise FileError(f"the key cannot be read: {reason}", file=path, hint=_HINT) from error
    if len(secret) > _LONGEST:
        raise UsageError("this is too long for a key", file=path, hint=_HINT)
    return Key(secret)
