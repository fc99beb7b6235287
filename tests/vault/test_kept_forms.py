"""A vault in form 1 of everything, kept here as bytes: whatever changes, it has to open and give its files back.

``python tests/vault/test_kept_forms.py`` wrote it once. It is not to be written again while the forms are version 1.
"""

from __future__ import annotations

import hashlib
import io
import sys
import tempfile
import zipfile
from pathlib import Path

import pytest

from caldiff.canonical import Digest
from caldiff.definition.catalogue import Catalogue
from caldiff.image.model import Image, RecordShape, Segment
from caldiff.image.writing import dump_image
from caldiff.ledger.signing import PrivateKey
from caldiff.trace.recording import Recorder
from caldiff.trace.verification import verify
from caldiff.vault.checkpoints import make_checkpoint
from caldiff.vault.vault import Vault

KEPT = Path(__file__).with_name("form_1.zip")
_STOCK = b"".join(hashlib.sha256(b"%d" % n).digest() for n in range(256))


def _image(changed: int) -> Image:
    """8 KiB whose content is reckoned, with one byte out of a hundred raised."""
    data = bytearray(_STOCK)
    for at in range(changed, len(data), 100):
        data[at] = (data[at] + 3) & 0xFF
    return Image(segments=(Segment(start=0x8000, data=bytes(data)),))


def _stored(name: str, data: bytes) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr(zipfile.ZipInfo(name, date_time=(2026, 1, 1, 0, 0, 0)), data)
    return packed.getvalue()


def files() -> dict[str, bytes]:
    """The files that the vault was given, one in each form that it keeps."""
    return {
        "stock.bin": _STOCK,
        "one.bin": dump_image(_image(1), format="binary"),
        "two.hex": dump_image(_image(2), format="ihex", shape=RecordShape(length=16, newline="\r\n")),
        "three.s19": dump_image(_image(3), format="srec", shape=RecordShape(header=b"three", count=True)),
        "four.txt": dump_image(_image(4), format="titxt"),
        "five.zip": _stored("five.bin", dump_image(_image(5), format="binary")),
        "log.csv": b"time,speed\n" + b"".join(b"%d,%d\n" % (n, n * n % 97) for n in range(500)),
    }


FORMS = {
    "stock.bin": "whole",
    "one.bin": "difference",
    "two.hex": "difference",
    "three.s19": "difference",
    "four.txt": "difference",
    "five.zip": "difference",
    "log.csv": "gzip",
}


def _write(folder: Path) -> None:
    key = PrivateKey.of_seed(bytes(32))
    vault = Vault.create(folder / "vault", id="0123456789abcdef" * 2)
    record = Recorder(vault=vault, time="2026-01-02T03:04:05Z", author="nobody", signers=(key,), catalogue=Catalogue())
    for name, data in files().items():
        (folder / name).write_bytes(data)
    record.baseline("unit", folder / "stock.bin")
    for name in list(FORMS)[1:-1]:
        record.revision("unit", folder / name)
    record.evidence("unit", [folder / "log.csv"], of="head", sort="log")
    make_checkpoint(vault, signers=(key,))
    with zipfile.ZipFile(KEPT, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted((folder / "vault").rglob("*")):
            if path.is_file():
                archive.writestr(zipfile.ZipInfo(path.relative_to(folder / "vault").as_posix()), path.read_bytes())


@pytest.fixture
def vault(tmp_path: Path) -> Vault:
    with zipfile.ZipFile(KEPT) as archive:
        archive.extractall(tmp_path)
    return Vault.open(tmp_path)


@pytest.mark.parametrize("name", FORMS)
def test_every_form_gives_its_file_back(vault: Vault, name: str) -> None:
    digest = Digest.of(files()[name])
    assert vault.form(digest) == FORMS[name]
    assert vault.fetch(digest) == files()[name]


def test_all_of_it_is_proven(vault: Vault) -> None:
    found = verify(vault)
    assert found.sound, found.findings
    assert [level.state for level in found.units[0].proof.levels] == ["held"] * 3 + ["not checked"] * 2
    assert vault.links("unit")[-1].hash.hex == "e978d4cb309bf4c7dcf3fe803e6cd94b91ae54e019bc96497822a5ec719413e0"


def test_its_recovery_data_mends(vault: Vault) -> None:
    for path in Path(vault.folder).rglob("*"):
        if path.is_file() and not path.name.endswith(".mend") and path.name != ".gitattributes":
            data = bytearray(path.read_bytes())
            data[len(data) // 2] ^= 0x10
            path.write_bytes(data)
    vault.repair()
    assert verify(vault).sound


if __name__ == "__main__":
    if KEPT.exists():
        sys.exit("form 1 is kept already; a new form gets a new file")
    with tempfile.TemporaryDirectory() as temporary:
        _write(Path(temporary))
