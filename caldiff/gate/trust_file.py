"""Files of trusted keys -> :class:`caldiff.ledger.trust.Trust`, as strictly as policies.

::

    trust: 1
    name: workshop
    keys:
      - name: A. Example
        key: ssh-ed25519 AAAA...
        roles: [calibrator]
        since: 2026-01-01
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from os import PathLike
from pathlib import Path
from typing import Any

from caldiff.canonical import Digest
from caldiff.definition.basics import SHORT
from caldiff.definition.json_schema import schema_of
from caldiff.definition.kinds import NAME, TEXT, Kind, listing, text
from caldiff.definition.problems import Problem, Wrong, seen
from caldiff.definition.sections import Field, Section
from caldiff.definition.shelves import read_bytes
from caldiff.definition.strict import Form, read_strictly
from caldiff.errors import CaldiffError, PolicyError
from caldiff.gate.policy_fields import ROLES, version
from caldiff.ledger.trust import Trust, TrustedKey

__all__ = ["load_trust", "trust_from_text", "trust_json_schema"]

Tree = dict[str, Any]
_TIME = re.compile(
    r"[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])(T([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]Z)?", re.ASCII
)


def _read_time(value: object) -> str:
    if type(value) is not str or not _TIME.fullmatch(value):
        raise Wrong("this is no time", expected=TIME.what, got=seen(value))
    return value


TIME = Kind(
    what="a date or a time in UTC, such as 2026-03-11 or 2026-03-11T09:30:00Z",
    read=_read_time,
    schema={"type": "string", "pattern": f"^{_TIME.pattern}$"},
)

KEY = Section(
    name="key",
    what="a key",
    doc="A key that is trusted, whose it is, and what for.",
    fields=(
        Field(key="name", kind=text("a person's name", longest=200, empty=False), doc="Whose it is.", needed="always"),
        Field(
            key="key",
            kind=text("a public key, as in a .pub file: ssh-ed25519 AAAA...", longest=2000, empty=False),
            doc="The public key in OpenSSH form, Ed25519.",
            needed="always",
        ),
        Field(key="roles", kind=ROLES, doc="What the person signs as.", needed="always"),
        Field(key="since", kind=TIME, doc="From when on what it signed counts, included."),
        Field(key="until", kind=TIME, doc="Until when, included."),
    ),
)

TRUST = Section(
    name="trust",
    what="a file of trusted keys",
    doc="Whose signatures count, as what, and when.",
    fields=(
        version("trust"),
        Field(key="name", kind=NAME, doc="What the file is called.", needed="always"),
        Field(key="title", kind=SHORT, doc="What people call it."),
        Field(key="description", kind=TEXT, doc="Who keeps it, and how."),
        Field(
            key="keys", kind=listing(KEY.kind, "a list of keys", least=1, most=1000), doc="The keys.", needed="always"
        ),
    ),
)


def load_trust(path: str | PathLike[str]) -> Trust:
    """The trusted keys in a file.

    Raises:
        FileError: the file cannot be read.
        PolicyError: with everything that is wrong in it.
    """
    return trust_from_text(read_bytes(Path(path)), file=str(path))


def trust_from_text(content: str | bytes, *, file: str = "trust.yaml") -> Trust:
    """The trusted keys in a text. Raises PolicyError as :func:`load_trust`."""
    data = content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
    form = Form(noun="trust", plural="files of trusted keys", section=TRUST, check=_faults, error=PolicyError)
    tree = read_strictly(data, form, file=file).tree
    keys = tuple(
        TrustedKey(
            name=entry["name"],
            key=entry["key"],
            roles=tuple(entry["roles"]),
            since=entry.get("since"),
            until=entry.get("until"),
        )
        for entry in tree["keys"]
    )
    return Trust(name=tree["name"], digest=Digest.of(data), keys=keys)


def trust_json_schema() -> dict[str, Any]:
    """The JSON Schema of a file of trusted keys; ``docs/schemas/trust.schema.json`` is this value."""
    return schema_of(TRUST, (KEY,), title="caldiff trusted keys, format 1")


def _faults(tree: Tree) -> Iterator[Problem]:
    """Keys that are none, that stand there twice, or that never count; names that differ in spelling only."""
    keys: dict[str, str] = {}
    names: dict[str, str] = {}
    for number, entry in enumerate(tree["keys"]):
        path, name = ("keys", number), entry["name"]
        first = names.setdefault(" ".join(name.split()).casefold(), name)
        if first != name:
            yield Problem(
                "this name is spelled in two ways", expected=first, got=name, hint=_ONE_NAME, path=(*path, "name")
            )
        keyid = _keyid(entry["key"])
        if isinstance(keyid, Problem):
            yield keyid.under(*path)
        elif keyid in keys:
            got = f"it is already that of {keys[keyid]}"
            yield Problem("this key stands here twice", got=got, hint=_ONE_NAME, path=(*path, "key"))
        else:
            keys[keyid] = name
        if "since" in entry and "until" in entry and entry["since"][:10] > entry["until"][:10]:
            yield Problem(
                "the key ends before it begins",
                expected=f"{entry['since']} or later",
                got=entry["until"],
                path=(*path, "until"),
            )


_ONE_NAME = "one person has one name, however many keys, and all roles of a key stand in one entry"


def _keyid(text: str) -> str | Problem:
    """The fingerprint of a public key, or what is wrong with it."""
    from caldiff.ledger.signing import PublicKey  # noqa: PLC0415 - brings the cryptography

    try:
        return PublicKey.read(text).keyid
    except CaldiffError as error:
        expected = error.expected or "a line of the form ssh-ed25519 AAAA..."
        return Problem(error.reason, expected=expected, hint=error.hint, path=("key",))
