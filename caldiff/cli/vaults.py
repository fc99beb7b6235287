"""What the commands that work on a vault share: the vault itself, keys, trusted keys, who records and when."""

from __future__ import annotations

import os
import re
import sys
from argparse import ArgumentParser, ArgumentTypeError, Namespace

from caldiff.errors import FileError, SignatureError, UsageError

TYPE_CHECKING = False
if TYPE_CHECKING:  # a short process, such as restoring, pays for what it imports
    from caldiff.ledger.chain import Head
    from caldiff.ledger.signing import PrivateKey
    from caldiff.ledger.trust import Trust
    from caldiff.vault.vault import Vault

__all__ = [
    "add_head_option",
    "add_passphrase_option",
    "add_recording_options",
    "add_signing_options",
    "add_trust_option",
    "add_vault_option",
    "author_for",
    "in_file",
    "passphrase_for",
    "private_key",
    "read_file",
    "signers_for",
    "time_for",
    "trust_for",
    "unit_of",
    "vault_for",
]

_LONGEST = 1 << 20
"""bytes of a key, a passphrase, a note: nobody's is longer"""
_LISTED = 8
"""units that a hint lists"""
_TIME = re.compile(r"[0-9]{4}-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9]Z")


# ----------------------------------------------------------------------------------------------------------- the vault


def add_vault_option(parser: ArgumentParser) -> None:
    """``--vault``."""
    parser.add_argument(
        "--vault", metavar="DIR", help="the vault's folder (default: the folder that CALDIFF_VAULT names)"
    )


def vault_for(options: Namespace) -> Vault:
    """The vault of ``--vault``, else of the environment.

    Raises:
        UsageError: neither names one.
        VaultError: the folder is no vault.
    """
    from caldiff.vault.vault import Vault  # noqa: PLC0415 - usage errors do without

    folder = options.vault or os.environ.get("CALDIFF_VAULT")
    if not folder:
        raise UsageError(
            "it is not said which vault", hint="name its folder by --vault DIR, or in the environment by CALDIFF_VAULT"
        )
    return Vault.open(folder)


def unit_of(vault: Vault, unit: str) -> None:
    """See that the vault has the unit.

    Raises:
        UsageError: it has not.
    """
    known = vault.units()
    if unit in known:
        return
    from difflib import get_close_matches  # noqa: PLC0415 - only when something is wrong

    close = get_close_matches(unit, known, n=1, cutoff=0.5)
    hint = f"did you mean {close[0]}?" if close else f"it has {', '.join(known[:_LISTED]) or 'no unit yet'}"
    more = f" and {len(known) - _LISTED} more" if not close and len(known) > _LISTED else ""
    raise UsageError(f"this vault has no unit '{unit}'", file=vault.folder, hint=hint + more)


def add_head_option(parser: ArgumentParser) -> None:
    """``--head``."""
    parser.add_argument(
        "--head",
        action="append",
        default=[],
        type=_head,
        metavar="UNIT:NUMBER:HASH",
        help="an entry that was noted elsewhere and must be there still, as 'caldiff history' prints it; may be given "
        "again",
    )


def _head(text: str) -> Head:
    from caldiff.canonical import Digest  # noqa: PLC0415 - only where one is given
    from caldiff.errors import CaldiffError  # noqa: PLC0415 - as above
    from caldiff.ledger.chain import Head  # noqa: PLC0415 - as above
    from caldiff.ledger.link import check_unit  # noqa: PLC0415 - as above

    unit, _, rest = text.strip().replace(" sha256:", ":").replace(" ", ":").partition(":")
    number, _, digest = rest.partition(":")
    try:
        if number.isascii() and number.isdigit() and len(number) < 10:  # noqa: PLR2004 - no unit has as many
            return Head(unit=check_unit(unit), sequence=int(number), hash=Digest(hex=digest))
    except (ValueError, CaldiffError):
        pass
    raise ArgumentTypeError(f"'{text}' is no unit, number and hash, such as van17:4: and 64 hexadecimal digits")


# ------------------------------------------------------------------------------------------------------- who and when


def add_recording_options(parser: ArgumentParser) -> None:
    """``--vault``, ``--message``, ``--author``, ``--time`` and how to sign."""
    group = parser.add_argument_group("the entry")
    add_vault_option(group)  # type: ignore[arg-type]  # a group takes arguments just so
    group.add_argument("-m", "--message", default="", metavar="TEXT", help="why, in your own words")
    group.add_argument(
        "--author", metavar="WHO", help="who records it (default: what CALDIFF_AUTHOR says, if anything)"
    )
    group.add_argument(
        "--time", type=_time, metavar="UTC", help="when it was, such as 2026-03-11T09:30:00Z (default: now)"
    )
    add_signing_options(group)  # type: ignore[arg-type]  # as above


def _time(text: str) -> str:
    from datetime import datetime  # noqa: PLC0415 - only where the option is given

    try:
        sound = bool(_TIME.fullmatch(text)) and datetime.fromisoformat(text) is not None
    except ValueError:  # a thirteenth month
        sound = False
    if not sound:
        raise ArgumentTypeError(f"'{text}' is not a time in UTC, such as 2026-03-11T09:30:00Z")
    return text


def time_for(options: Namespace) -> str:
    """``--time``, else the clock, to the second."""
    from time import gmtime, strftime  # noqa: PLC0415 - the clock is asked here only

    return options.time or strftime("%Y-%m-%dT%H:%M:%SZ", gmtime())


def author_for(options: Namespace) -> str:
    """``--author``, else what the environment says; empty where neither does."""
    return os.environ.get("CALDIFF_AUTHOR", "") if options.author is None else options.author


# ---------------------------------------------------------------------------------------------------------------- keys


def add_signing_options(parser: ArgumentParser) -> None:
    """``--sign`` and ``--passphrase-file``."""
    parser.add_argument(
        "--sign",
        action="append",
        default=[],
        metavar="KEY",
        help="sign with the Ed25519 key in this file (OpenSSH or PEM); may be given again",
    )
    add_passphrase_option(parser)


def add_passphrase_option(parser: ArgumentParser) -> None:
    """``--passphrase-file``."""
    parser.add_argument(
        "--passphrase-file",
        metavar="FILE",
        help="its first line is the passphrase of the key (default: it is asked for, on a terminal only)",
    )


def signers_for(options: Namespace) -> tuple[PrivateKey, ...]:
    """The keys of ``--sign``, each unlocked.

    Raises:
        FileError: a file cannot be read.
        SignatureError: it is no key that signs here, or its passphrase is missing or wrong.
    """
    return tuple(private_key(path, options) for path in options.sign)


def private_key(path: str, options: Namespace) -> PrivateKey:
    """The private key in a file, unlocked."""
    from caldiff.ledger.signing import PrivateKey, locked  # noqa: PLC0415 - brings cryptography

    data = read_file(path, "the key")
    passphrase = passphrase_for(path, options) if locked(data) else None
    try:
        return PrivateKey.read(data, passphrase)
    except SignatureError as error:
        raise in_file(error, path) from error


def in_file(error: SignatureError, path: str) -> SignatureError:
    """The same error with the file that the key came from, and what to do."""
    hint = error.hint or "'caldiff key new FILE' makes one; an Ed25519 key of ssh-keygen will do as well"
    return SignatureError(error.reason, file=path, expected=error.expected, got=error.got, hint=hint)


def passphrase_for(path: str, options: Namespace, *, new: bool = False) -> bytes | None:
    """The passphrase of a key: of the file that was named, else asked for on a terminal.

    Args:
        path: the key's file, for the question.
        options: with ``passphrase_file``.
        new: it is to be a new one: asked for twice, and it may be empty (None) or, off a terminal, missing.

    Raises:
        UsageError: there is no terminal to ask on; or the two differ.
        FileError: the file cannot be read.
    """
    if options.passphrase_file is not None:
        first = read_file(options.passphrase_file, "the passphrase").split(b"\n")[0].removesuffix(b"\r")
        if not first:
            raise UsageError(
                "the first line of this file is empty, so it is no passphrase", file=options.passphrase_file
            )
        return first
    if not (sys.stdin and sys.stdin.isatty() and sys.stderr and sys.stderr.isatty()):
        if new:
            return None
        raise UsageError(
            "this key is locked by a passphrase, and there is no terminal to ask for it on",
            file=path,
            hint="put the passphrase into a file that only you can read, and name it by --passphrase-file",
        )
    from getpass import getpass  # noqa: PLC0415 - only for people

    from caldiff.render.look import harmless  # noqa: PLC0415 - as above

    asked = getpass(f"passphrase {'for the new key (empty: none)' if new else f'of {harmless(path)}'}: ")
    if new and asked and getpass("the same again: ") != asked:
        raise UsageError("the two are not the same, so no key was made", hint="try again")
    return asked.encode() or None


def read_file(path: str, what: str) -> bytes:
    """All of a small file. Raises FileError."""
    try:
        with open(path, "rb") as file:  # noqa: PTH123 - a Path costs more than it gives
            data = file.read(_LONGEST + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "this is no name of a file"
        raise FileError(
            f"{what} cannot be read: {reason}", file=path, hint="check the name and who may read it"
        ) from error
    if len(data) > _LONGEST:
        raise FileError(f"this is too long for {what.removeprefix('the ')}", file=path, expected="at most 1 MiB")
    return data


# ------------------------------------------------------------------------------------------------------- trusted keys


def add_trust_option(parser: ArgumentParser) -> None:
    """``--trust``."""
    parser.add_argument(
        "--trust", metavar="FILE", help="the file of trusted keys; without one no signature proves anything"
    )


def trust_for(options: Namespace) -> Trust | None:
    """The trusted keys of ``--trust``.

    Raises:
        FileError, PolicyError: the file cannot be read or used.
    """
    if options.trust is None:
        return None
    from caldiff.gate.trust_file import load_trust  # noqa: PLC0415 - brings the YAML machinery

    return load_trust(options.trust)
