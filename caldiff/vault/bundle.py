"""One unit as a single file, for a customer, an auditor or another workshop; and taking such a file into a vault.

The file is a zip without compression of a vault that holds that unit alone: whoever unpacks it has a vault to verify
and to restore from. Nothing of another unit goes with it, not even as the base of a difference.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory

import attrs

from caldiff.canonical import Digest, canonical_json
from caldiff.errors import CaldiffError, VaultError
from caldiff.image.model import Image
from caldiff.image.reading import read_image
from caldiff.ledger.chain import Chain
from caldiff.ledger.link import Link
from caldiff.value import Value
from caldiff.vault.appending import files_of
from caldiff.vault.difference import DEEPEST, Difference, read_difference
from caldiff.vault.files import ENTRY, MARK, MEND, OBJECT, add_mend, entry_name, get, object_name, pack, put
from caldiff.vault.mend import make_mend
from caldiff.vault.vault import Vault
from caldiff.vault.zipped import unzipped, zipped

__all__ = ["Imported", "export_unit", "import_unit"]

_ENDINGS = {"whole": "", "gzip": ".gz", "difference": ".diff"}
_UNPACKED = 4 << 30
"""bytes of all files of a unit, unpacked"""


@attrs.frozen(kw_only=True, eq=False, repr=False)
class Imported(Value):
    """What taking in a unit came to.

    Attributes:
        unit: its id.
        entries: in the file. added: of them, those that the vault did not have.
        files: kept now that were not before.
        ahead: entries that the vault has beyond those of the file.
    """

    unit: str
    entries: int
    added: int
    files: int
    ahead: int


# --------------------------------------------------------------------------------------------------------- giving out


def export_unit(vault: Vault, unit: str) -> bytes:
    """A unit with all of its entries and files as a zip; equal vaults give equal bytes.

    Raises:
        VaultError, LedgerError: there is no such unit, or anything of it is missing or damaged.
    """
    chain = vault.chain(unit)
    files = {MARK: canonical_json({"caldiff": "vault", "version": 1, "id": _id(vault, unit)}) + b"\n"}
    files |= {name: get(vault.folder, name) for name in (entry_name(unit, n) for n in range(len(chain.recorded)))}
    files |= _objects(vault, _named(chain))
    return zipped({name: part for own, data in files.items() for name, part in _with_mend(own, data)})


def _id(vault: Vault, unit: str) -> str:
    """An id for the vault that the zip holds: always the same for a unit, and none that another vault has."""
    return Digest.of(b"caldiff export\n", f"{vault.id}\n{unit}\n".encode()).hex[:32]


def _with_mend(name: str, data: bytes) -> Iterable[tuple[str, bytes]]:
    return (name, data), (name + MEND, make_mend(name, data))


def _named(chain: Chain) -> tuple[Digest, ...]:
    """The files that the entries name, each once, in that order."""
    return tuple(dict.fromkeys(file.file for entry in chain.entries for file in files_of(entry.draft)))


def _objects(vault: Vault, named: Sequence[Digest]) -> dict[str, bytes]:
    """The files as the vault keeps them, proven; what differs from a file of another unit is given whole."""
    going = {digest for digest in named if _goes(vault, digest, frozenset(named))}
    files = {}
    for digest, data in _proven(vault, named):
        if digest in going:
            ending = _ENDINGS[vault.form(digest) or "whole"]
            files[digest] = ending, get(vault.folder, object_name(digest.hex, ending))
        else:
            packed = pack(data)
            files[digest] = (".gz", packed) if len(packed) < len(data) else ("", data)
    return {object_name(digest.hex, files[digest][0]): files[digest][1] for digest in named}


def _proven(vault: Vault, named: Sequence[Digest]) -> Iterator[tuple[Digest, bytes]]:
    """The bytes of the files, each of which has its digest."""
    for digest, data in vault.fetch_many(named):
        if isinstance(data, VaultError):
            raise data
        yield digest, data


def _goes(vault: Vault, digest: Digest, named: frozenset[Digest]) -> bool:
    """Whether all that a file is restored from goes with it."""
    for _ in range(DEEPEST + 1):
        if digest not in named:
            return False
        if vault.form(digest) != "difference":
            return True
        digest = _difference(vault, digest).base
    return False


def _difference(vault: Vault, digest: Digest) -> Difference:
    return read_difference(get(vault.folder, object_name(digest.hex, ".diff")))


# ---------------------------------------------------------------------------------------------------------- taking in


def import_unit(vault: Vault, data: bytes) -> Imported:
    """Take in a unit from what :func:`export_unit` gave: everything is verified before anything is written.

    Entries that the vault has already must be the same ones; it is then extended by those that it has not.

    Raises:
        VaultError, LedgerError: the zip is broken or hostile, an entry or file in it is missing or does not hold, or
            the vault has another entry at some place: the chains part there, and nothing is taken.
    """
    with TemporaryDirectory(prefix="caldiff-") as folder:
        with _inside(folder):
            source = _unpacked(data, folder)
            unit = _only_unit(source)
            named = _named(source.chain(unit))
            _hold(source, named)
            links = source.links(unit)
        ours = _fitting(vault, unit, links)
        files = _keep_all(vault, source, named)
        added = _extend(vault, source, links[len(ours) :])
        return Imported(unit=unit, entries=len(links), added=added, files=files, ahead=max(len(ours) - len(links), 0))


@contextmanager
def _inside(folder: str) -> Iterator[None]:
    """Errors name a file by its place in the zip, not by where that was unpacked."""
    try:
        yield
    except CaldiffError as error:
        if error.file is not None:
            error.file = error.file.removeprefix(folder).strip("/") or None
        raise


def _unpacked(data: bytes, folder: str) -> Vault:
    files = unzipped(data, wanted=_belongs)
    if MARK not in files:
        raise VaultError("this is no unit that caldiff exported", expected=f"a zip with {MARK} in it")
    files = {name: part for name, part in files.items() if not name.endswith(MEND)}
    total = sum(_declared(name, part) for name, part in files.items())
    if total > _UNPACKED:
        raise VaultError("the unit is too large", expected=f"at most {_UNPACKED} bytes unpacked", got=f"{total} bytes")
    for name, part in files.items():
        path = Path(folder, *name.split("/"))
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(part)
    return Vault.open(folder)


def _belongs(name: str) -> bool:
    bare = name.removesuffix(MEND)
    return bare == MARK or any(pattern.fullmatch(bare) is not None for pattern in (ENTRY, OBJECT))


def _declared(name: str, data: bytes) -> int:
    """The size that a file says it unpacks to. Where that is a lie, the first that is unpacked ends it."""
    if name.endswith(".gz"):
        return int.from_bytes(data[-4:], "little")
    return read_difference(data).size if name.endswith(".diff") else len(data)


def _only_unit(source: Vault) -> str:
    units = source.units()
    if len(units) != 1:
        raise VaultError("this is no file of one unit", expected="1 unit", got=f"{len(units)} units")
    return units[0]


def _hold(source: Vault, named: Sequence[Digest]) -> None:
    """See that every file that the entries name is there and sound, and that no other is."""
    for _ in _proven(source, named):
        pass
    known = {digest.hex for digest in named}
    for path in sorted(Path(source.folder, "objects").glob("*/*")):
        if path.name.split(".")[0] not in known:
            raise VaultError("a file in it is named by no entry", got=f"objects/{path.parent.name}/{path.name}")


def _fitting(vault: Vault, unit: str, links: Sequence[Link]) -> Sequence[Link]:
    """The entries that the vault has of the unit: the same as those of the file, as far as both go."""
    for other in vault.units():
        if other.lower() == unit.lower() and other != unit:
            raise VaultError(f"this vault has a unit {other}, and {unit} differs from it by case only")
    ours = vault.chain_so_far(unit)
    for own, their in zip(ours, links, strict=False):
        if own.hash != their.hash:
            raise VaultError(
                f"the chains of {unit} part at entry {own.sequence}: this vault has another one there",
                file=vault.folder,
                expected=f"{own.kind} of {own.time}, {own.hash}",
                got=f"{their.kind} of {their.time}, {their.hash}",
                hint="look at both histories, and record into one vault from here on; nothing was taken",
            )
    return ours


def _keep_all(vault: Vault, source: Vault, named: Sequence[Digest]) -> int:
    """Keep what the vault does not hold yet, bases first; how many that were."""
    lacking = [digest for digest in named if not vault.holds(digest)]
    for digest in sorted(lacking, key=lambda one: _depth(source, one)):
        data, form = source.fetch(digest), source.form(digest)
        image, near = _images(source, digest, data) if form == "difference" else (None, {})
        vault.keep(data, image=image, near=near, whole=form == "whole")
    return len(lacking)


def _depth(source: Vault, digest: Digest) -> int:
    return _difference(source, digest).depth if source.form(digest) == "difference" else 0


def _images(source: Vault, digest: Digest, data: bytes) -> tuple[Image | None, dict[Digest, Image]]:
    """An image, and what it was kept as a difference against, so that it takes no more here.

    A raw binary does not say where it lies; ``move`` says how far the two are apart.
    """
    kept = _difference(source, digest)
    try:
        image = read_image(data, format=kept.format, start=max(-kept.move, 0))
        base = read_image(source.fetch(kept.base), format=kept.like, start=max(kept.move, 0))
    except CaldiffError:  # it differs in a way that only the other vault could tell: it is kept in another form
        return None, {}
    return image, {kept.base: base}


def _extend(vault: Vault, source: Vault, links: Sequence[Link]) -> int:
    """Write the entries, with their signatures, as they came; how many that were."""
    added = 0
    for link in links:
        name = entry_name(link.unit, link.sequence)
        data = pack(source.envelope(link.unit, link.sequence))
        if put(vault.folder, name, data, mend=False):
            added += 1
        elif vault.link(link.unit, link.sequence).hash != link.hash:
            raise VaultError(
                f"somebody recorded another entry {link.sequence} of {link.unit} meanwhile",
                file=vault.folder,
                hint="look at the history; the entries before it were taken",
            )
        with suppress(VaultError):  # the entry stands; recovery data waits for the next one, or for a repair
            add_mend(vault.folder, name, data)
    return added
