"""The vault of the demo: the whole story of the invented van, entry by entry, signed by keys that everybody can make.

The entries are the same on every machine, and so are their hashes; how zlib packs them may differ.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import attrs

from caldiff.canonical import Digest
from caldiff.definition.catalogue import Catalogue, shipped_folder
from caldiff.errors import FileError
from caldiff.ledger.chain import Recorded
from caldiff.ledger.signing import PrivateKey
from caldiff.storing import store
from caldiff.trace.recording import Recorder
from caldiff.vault.checkpoints import make_checkpoint
from caldiff.vault.vault import Vault

__all__ = ["CHECKPOINT", "UNIT", "VAULT", "tell_vault", "trusted_keys"]

UNIT = "van-17"
VAULT = "vault"
"""the folder's name in the demo's"""
CHECKPOINT = "checkpoint.txt"
_ID = Digest.of(b"the vault of the invented cooperative").hex[:32]
_ROLES: Mapping[str, tuple[str, ...]] = {
    "reader of the cooperative": ("reader",),
    "remote calibrator": ("calibrator",),
    "engineer of the cooperative": ("approver",),
    "inspector of the cooperative": ("approver",),
}
"""Nobody: what the people of the story do."""
_READER, _CALIBRATOR, _ENGINEER, _INSPECTOR = _ROLES
_ANNEX = "expert report 17/2026 on the conversion to LPG (invented)"


def _key(name: str) -> PrivateKey:
    """A key that is no secret: its seed is the name's digest."""
    return PrivateKey.of_seed(bytes.fromhex(Digest.of(b"demo key of the ", name.encode("ascii")).hex))


def trusted_keys() -> bytes:
    """The file of trusted keys that goes with the vault."""
    keys = "".join(
        f"  - name: {name}\n    key: {_key(name).public.text}\n    roles: [{', '.join(roles)}]\n    since: 2026-01-01\n"
        for name, roles in _ROLES.items()
    )
    head = "# Keys of the demo. Everybody can make them, so nothing that they sign proves anything.\n"
    return (head + f"trust: 1\nname: roitelet\nkeys:\n{keys}").encode("ascii")


@attrs.frozen(kw_only=True)
class _Step:
    """One entry of the story: when and by whom, and what the recorder is asked to do."""

    time: str
    author: str
    record: Callable[[Recorder], Recorded]


def tell_vault(folder: Path) -> None:
    """Make the vault in the demo's folder, whose files are there already, and a checkpoint of it beside it.

    A vault that was left unfinished is gone on with; one that is whole is left as it is.

    Raises:
        FileError: another vault is there.
        VaultError: it cannot be written.
    """
    place = folder / VAULT
    vault = Vault.open(place) if place.exists() else Vault.create(place, id=_ID)
    if vault.id != _ID:
        raise FileError(
            "the demo makes a vault of this name, and another one is there: nothing was written to it",
            file=place,
            hint="choose an empty folder, or move the vault away",
        )
    catalogue = Catalogue((shipped_folder(),))
    for step in tuple(_story(folder))[len(vault.chain_so_far(UNIT)) :]:
        signer = _key(step.author)
        step.record(Recorder(vault=vault, time=step.time, author=step.author, signers=(signer,), catalogue=catalogue))
    if not (folder / CHECKPOINT).exists():
        made = make_checkpoint(vault, signers=(_key(_INSPECTOR),))
        store(folder / CHECKPOINT, made.dump())


def _story(folder: Path) -> Iterator[_Step]:
    yield _Step(
        time="2026-03-02T08:10:00Z",
        author=_READER,
        record=lambda r: r.baseline(UNIT, folder / "van17_stock_read.bin", message="As it came from the works."),
    )
    yield _Step(
        time="2026-03-02T16:40:00Z",
        author=_READER,
        record=lambda r: r.repeat(UNIT, folder / "van17_second_read.bin", message="Read again after a day's work."),
    )
    yield _Step(
        time="2026-03-04T19:30:00Z",
        author=_CALIBRATOR,
        record=lambda r: r.revision(
            UNIT, folder / "van17_rev1.hex", message="Gas switched on, advance at mid load, steadier idle."
        ),
    )
    yield from _let_out("2026-03-05", 2)
    town = [folder / "van17_drive_town.csv"]
    yield from _brought_back("2026-03-12T07", town, folder / "van17_faults_before.yaml", of="5")
    yield _Step(
        time="2026-03-16T20:15:00Z",
        author=_CALIBRATOR,
        record=lambda r: r.revision(
            UNIT,
            folder / "van17_rev2.s19",
            authorities={"emissions": _ANNEX, "over-temperature": _ANNEX},
            message="Injectors measured, warm-up richer; load axis moved, tables on it fitted anew.",
        ),
    )
    yield from _let_out("2026-03-17", 8)
    drives = [folder / "van17_drive_motorway.csv", folder / "van17_drive_hills.csv"]
    yield from _brought_back("2026-03-27T16", drives, folder / "van17_faults_after.yaml", of="11")
    yield _Step(
        time="2026-03-30T09:05:00Z",
        author=_READER,
        record=lambda r: r.readback(UNIT, folder / "van17_readback.bin", of="8", message="Is it what we sent?"),
    )
    yield _Step(
        time="2026-04-09T22:05:00Z",
        author=_CALIBRATOR,
        record=lambda r: r.revision(UNIT, folder / "van17_rev3.zip", message="Quick fix for hot days."),
    )


def _let_out(day: str, of: int) -> Iterator[_Step]:
    """Two people approve a revision, and it is handed over."""
    for time, approver in (("08:00", _ENGINEER), ("09:20", _INSPECTOR)):
        yield _Step(time=f"{day}T{time}:00Z", author=approver, record=lambda r: r.approval(UNIT, of=str(of)))
    yield _Step(
        time=f"{day}T12:00:00Z",
        author=_CALIBRATOR,
        record=lambda r: r.delivery(UNIT, of=str(of), to="workshop of the cooperative"),
    )


def _brought_back(hour: str, logs: list[Path], faults: Path, *, of: str) -> Iterator[_Step]:
    """The logs of a drive or two, and what the fault memory says after them."""
    yield _Step(time=f"{hour}:10:00Z", author=_READER, record=lambda r: r.evidence(UNIT, logs, of=of, sort="log"))
    yield _Step(
        time=f"{hour}:30:00Z", author=_READER, record=lambda r: r.evidence(UNIT, [faults], of=of, sort="faults")
    )
