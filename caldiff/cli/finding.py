"""Files and definitions as the command line names them: where definitions are looked for, and opening images."""

from __future__ import annotations

import os
import re
from argparse import ArgumentParser, ArgumentTypeError, Namespace
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TypeVar

from caldiff.cli.terminal import progress
from caldiff.cli.trouble import warn
from caldiff.definition.catalogue import Catalogue, shipped_folder
from caldiff.definition.definition import Definition
from caldiff.errors import DefinitionError, UsageError
from caldiff.image.limits import Limits
from caldiff.image.reading import read_image
from caldiff.table.calibration import Calibration
from caldiff.table.opening import calibration

__all__ = [
    "add_file_options",
    "add_folder_option",
    "address",
    "catalogue_for",
    "limits_for",
    "named",
    "opened",
    "spread",
    "usable",
]

T = TypeVar("T")


def add_folder_option(parser: ArgumentParser) -> None:
    """``--definitions``."""
    parser.add_argument(
        "--definitions",
        action="append",
        default=[],
        metavar="DIR",
        help="a folder of definitions, searched before all others; may be given again",
    )


def add_file_options(parser: ArgumentParser, *, several: bool) -> None:
    """How files are read: ``--definition``, ``--definitions``, ``--start``, ``--format``, ``--limit``."""
    group = parser.add_argument_group("reading")
    again = "; once for all files, or once for each file in their order" if several else ""
    group.add_argument(
        "-d",
        "--definition",
        action="append",
        default=[],
        metavar="NAME-OR-FILE",
        help=f"the definition to read with, by name or as a file (with a slash, or ending in .yaml){again}",
    )
    add_folder_option(group)  # type: ignore[arg-type]  # a group takes arguments just so
    group.add_argument(
        "--start",
        action="append",
        default=[],
        type=address,
        metavar="ADDR",
        help=f"address of the first byte of a raw binary (default: where the definition says){again}",
    )
    group.add_argument(
        "--format",
        choices=("binary", "ihex", "srec", "titxt", "elf"),
        help="what the files are (default: told by their content)",
    )
    group.add_argument(
        "--limit",
        type=_size,
        metavar="SIZE",
        help="the largest image that is read, such as 128MiB (default: 64MiB)",
    )


def address(text: str) -> int:
    """An address in decimal or hexadecimal, as definitions write it."""
    if not re.fullmatch(r"0x[0-9a-fA-F_]{1,20}|[0-9_]{1,20}", text):
        raise ArgumentTypeError(f"'{text}' is not an address, such as 0x00800000")
    try:
        value = int(text, 0)
    except ValueError:
        raise ArgumentTypeError(f"'{text}' is not an address, such as 0x00800000") from None
    if value >= 1 << 64:
        raise ArgumentTypeError(f"'{text}' is beyond 64 bits")
    return value


def _size(text: str) -> int:
    found = re.fullmatch(r"([0-9]{1,15}) ?(|KiB|MiB|GiB)", text)
    if not found or not int(found[1]):
        raise ArgumentTypeError(f"'{text}' is not a size, such as 128MiB")
    return int(found[1]) << {"": 0, "KiB": 10, "MiB": 20, "GiB": 30}[found[2]]


def limits_for(options: Namespace) -> Limits:
    """``--limit``, for the bytes and for the addresses that they span."""
    return Limits() if options.limit is None else Limits(size=options.limit, span=options.limit)


# ------------------------------------------------------------------------------------------------------- definitions


def catalogue_for(options: Namespace) -> Catalogue:
    """The folders in order: option, environment, the user's configuration folder, the shipped ones.

    Raises:
        UsageError: a folder of the option is none.
    """
    from platformdirs import user_cache_path, user_config_path  # noqa: PLC0415 - no other command needs it

    for folder in options.definitions:
        if not Path(folder).is_dir():
            raise UsageError("this is not a folder", file=folder, hint="--definitions names a folder of definitions")
    listed = [part for part in os.environ.get("CALDIFF_DEFINITIONS", "").split(os.pathsep) if part]
    for folder in listed:
        if not Path(folder).is_dir():
            warn(f"CALDIFF_DEFINITIONS names {folder}, which is not a folder")
    own = user_config_path("caldiff", appauthor=False) / "definitions"
    folders = [*options.definitions, *listed, own, shipped_folder()]
    return Catalogue(folders, cache=user_cache_path("caldiff", appauthor=False) / "definitions")


def named(catalogue: Catalogue, text: str) -> Definition:
    """The definition of a name, or in a file: text with a separator, or with the ending of one, is a file."""
    if os.sep in text or text.endswith((".yaml", ".yml")):
        return catalogue.load(text)
    return catalogue.by_name(text)


def usable(catalogue: Catalogue) -> Iterator[Definition]:
    """Every definition that can be used; of the others it is said that they cannot."""
    for path, found in catalogue.definitions():
        if isinstance(found, DefinitionError):
            warn(f"{path} cannot be used: {found}; 'caldiff definition check {path}' lists all that is wrong with it")
        else:
            yield found


# ------------------------------------------------------------------------------------------------------------ images


def opened(files: Sequence[str], options: Namespace) -> tuple[Calibration, ...]:
    """Every file with the definition that reads it.

    Raises:
        UsageError: --definition or --start was given a number of times that suits no file.
        CaldiffError: a file cannot be read, is no image, or several definitions fit it.
    """
    catalogue = catalogue_for(options)
    names = spread("--definition", options.definition, files)
    starts = spread("--start", options.start, files)
    limits = limits_for(options)
    with progress("reading definitions"):
        chosen = {n: named(catalogue, n) for n in names if n is not None}
        among = tuple(usable(catalogue)) if None in names else ()
    with progress("reading images"):
        return tuple(
            calibration(
                read_image(file, start=start, format=options.format, limits=limits),
                label=file,
                among=among if name is None else chosen[name],
            )
            for file, name, start in zip(files, names, starts, strict=True)
        )


def spread(option: str, given: Sequence[T], files: Sequence[str]) -> Sequence[T | None]:
    """One value for each file: none, the only one for all, or each its own."""
    if len(given) in {0, 1}:
        return [given[0] if given else None] * len(files)
    if len(given) == len(files):
        return given
    raise UsageError(
        f"{option} is given {len(given)} times for {len(files)} files",
        hint=f"give {option} once for all files, or once for each file in their order",
    )
