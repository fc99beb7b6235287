"""``caldiff key new|show FILE``: a key to sign entries with."""

from __future__ import annotations

import os
from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from typing import TYPE_CHECKING

from caldiff.cli import SAME
from caldiff.cli.newfile import must_be_new, write_new
from caldiff.cli.terminal import Mixed, formatter, write
from caldiff.cli.vaults import add_passphrase_option, in_file, passphrase_for, private_key, read_file
from caldiff.errors import SignatureError
from caldiff.render.look import harmless

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
        one.add_argument("--json", action="store_true", help="a JSON document, see docs/schemas/")
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
    must_be_new(options.file)
    from caldiff.ledger.signing import PrivateKey  # noqa: PLC0415 - brings cryptography

    passphrase = passphrase_for(options.file, options, new=True)
    key = PrivateKey.of_seed(os.urandom(32))
    write_new(options.file, key.openssh(passphrase), mode=_OWNER_ONLY)
    if not options.json:
        kept = "locked by its passphrase" if passphrase else "not locked: whoever reads the file can sign with it"
        write(f"{harmless(options.file)}: a new key, {kept}\n")
    return _tell(key.public, options)


def _show(options: Namespace) -> int:
    data = read_file(options.file, "the key")
    if b"PRIVATE KEY" in data:
        return _tell(private_key(options.file, options).public, options)
    from caldiff.ledger.signing import PublicKey  # noqa: PLC0415 - as above

    try:
        return _tell(PublicKey.read(data.decode("utf-8", "replace")), options)
    except SignatureError as error:
        raise in_file(error, options.file) from error


def _tell(key: PublicKey, options: Namespace) -> int:
    if options.json:
        from caldiff.render.document import document, printed, sound  # noqa: PLC0415 - costs more than the text

        body = {"file": sound(options.file), "public": key.text, "fingerprint": key.keyid}
        write(printed(document("key", body)))
    else:
        write(f"public line: {key.text}\nfingerprint: {key.keyid}\n")
    return SAME
