"""``caldiff key new|show FILE``: a key to sign entries with."""

from __future__ import annotations

import os
from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from typing import TYPE_CHECKING

from caldiff.cli import SAME
from caldiff.cli.terminal import Mixed, formatter, write
from caldiff.cli.vaults import add_passphrase_option, in_file, passphrase_for, private_key, read_file
from caldiff.errors import FileError, SignatureError
from caldiff.render.look import harmless
from caldiff.storing import store

if TYPE_CHECKING:  # brings cryptography
    from caldiff.ledger.signing import PublicKey

__all__ = ["parser", "run"]

_OWNER_ONLY = 0o600


def parser(prog: str) -> ArgumentParser:
    """The parser of this command."""
    made = ArgumentParser(
        prog=prog, allow_abbrev=False, formatter_class=formatter, description="Make or show a key to sign with."
    )
    actions = made.add_subparsers(required=True, metavar="new|show", parser_class=Mixed)

    def add(name: str, action: Callable[[Namespace], int], text: str, about: str) -> None:
        one = actions.add_parser(name, help=text, description=about, allow_abbrev=False, formatter_class=formatter)
        one.set_defaults(action=action)
        one.add_argument("file", metavar="FILE", help="the key's file")
        add_passphrase_option(one)

    add(
        "new",
        _new,
        "make an Ed25519 key",
        "Make an Ed25519 key in OpenSSH form, in a file that only its owner may read; print the public line, which "
        "goes into the file of trusted keys, and the fingerprint. No file is ever overwritten. A passphrase locks it: "
        "from --passphrase-file, else asked for on a terminal.",
    )
    add(
        "show",
        _show,
        "print the public line and the fingerprint",
        "Print the public line and the fingerprint of a private or public key.",
    )
    return made


def run(options: Namespace) -> int:
    """Run the action that was asked for."""
    return int(options.action(options))


def _new(options: Namespace) -> int:
    if os.path.lexists(options.file):
        raise FileError("this file is there already", file=options.file, hint="name a new file: none is overwritten")
    from caldiff.ledger.signing import PrivateKey  # noqa: PLC0415 - brings cryptography

    passphrase = passphrase_for(options.file, options, new=True)
    key = PrivateKey.of_seed(os.urandom(32))
    try:
        store(options.file, key.openssh(passphrase), mode=_OWNER_ONLY)
    except OSError as error:
        raise FileError(f"the key cannot be written: {error.strerror}", file=options.file) from error
    kept = "locked by its passphrase" if passphrase else "not locked: whoever reads the file can sign with it"
    write(f"{harmless(options.file)}: a new key, {kept}\n")
    return _tell(key.public)


def _show(options: Namespace) -> int:
    data = read_file(options.file, "the key")
    if b"PRIVATE KEY" in data:
        return _tell(private_key(options.file, options).public)
    from caldiff.ledger.signing import PublicKey  # noqa: PLC0415 - as above

    try:
        return _tell(PublicKey.read(data.decode("utf-8", "replace")))
    except SignatureError as error:
        raise in_file(error, options.file) from error


def _tell(key: PublicKey) -> int:
    write(f"public line: {key.text}\nfingerprint: {key.keyid}\n")
    return SAME
