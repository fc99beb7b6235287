"""``write_demo``: the invented scenario as files, under names like people give them; the same bytes every time."""

from __future__ import annotations

import zipfile
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path

from caldiff.definition.catalogue import load_definition, shipped_folder
from caldiff.demo.chronicle import CHECKPOINT, VAULT, tell_vault, trusted_keys
from caldiff.demo.logs import demo_logs
from caldiff.demo.snapshots import demo_snapshots
from caldiff.demo.story import tell
from caldiff.errors import FileError
from caldiff.image.model import RecordShape
from caldiff.image.writing import dump_image
from caldiff.storing import store

__all__ = ["demo_files", "write_demo"]

README = """\
Everything in this folder is INVENTED: the controller family WREN-4, its software, the delivery van 17, the
cooperative that converts it from petrol to LPG, every number in every table. Nothing here runs any engine.

The story, in the order of the files:

  van17_stock_read.bin          the first read of the van's controller, as it came from the works: the baseline
  van17_second_read.bin         read again after a day's work: only what the controller learns itself went on
  van17_rev1.hex                sent back: gas switched on, ignition on gas advanced at mid load, idle on gas raised
  van17_rev2.s19                made on a later read (learned values went on): gas injectors measured, warm-up richer,
                                two breakpoints of the load axis moved and the tables on it fitted anew, but for one
  van17_readback.bin            read out of the van afterwards, to see whether it is what was sent
  van17_rev3.zip                a file called hot_day_fix.bin: a monitor switched off, more torque for an engine that is
                                too hot, and one byte of program that nobody can explain. It should not go out
  van17_read_after_update.hex   the van comes back from a workshop with newer software: a stock read again

What the van brought back on the way:

  van17_drive_town.csv          three drives of 20 minutes, as three loggers write them
  van17_drive_motorway.csv
  van17_drive_hills.csv
  channels.yaml                 what the loggers mean by their channels
  warm.yaml                     the same, and only what was seen of a warm engine that ran evenly
  van17_faults_before.yaml      fault memory and readiness, on the first revision
  van17_faults_after.yaml       and on the second

And where all of it is kept:

  vault                         the chain of the van, entry by entry, with the very files
  trust.yaml                    whose signatures count (these keys are no secret: they prove nothing)
  checkpoint.txt                a checkpoint of the vault, as somebody else would keep it

Things to try:

  caldiff van17_stock_read.bin van17_rev1.hex
  caldiff van17_rev1.hex van17_rev2.s19
  caldiff van17_rev2.s19 van17_rev3.zip
  caldiff van17_stock_read.bin van17_rev1.hex van17_rev2.s19 van17_rev3.zip
  caldiff van17_stock_read.bin van17_read_after_update.hex
  caldiff identify *.bin *.hex *.s19 *.zip
  caldiff checksum van17_rev3.zip
  caldiff show van17_stock_read.bin ignition_base_gas

  caldiff history van-17 --vault vault --trust trust.yaml
  caldiff trace van17_readback.bin van17_read_after_update.hex --vault vault
  caldiff verify --vault vault --trust trust.yaml --checkpoint checkpoint.txt
  caldiff gate van17_rev2.s19 van17_rev3.zip --vault vault --trust trust.yaml
  caldiff restore van-17 -o back_to_stock.bin --vault vault

  caldiff coverage van17_drive_*.csv --image van17_rev2.s19 --since van17_rev1.hex --channels channels.yaml
  caldiff propose van17_drive_*.csv --image van17_rev2.s19 --channels warm.yaml
  caldiff faults van17_faults_before.yaml van17_faults_after.yaml --image van17_rev2.s19
  caldiff readback van-17 van17_readback.bin --vault vault

A real calibration that is wrong destroys engines and hurts people, and many changes are illegal on the road.
"""


def demo_files() -> Mapping[str, bytes]:
    """The files of the demo by name, in the order of the story, with the text that tells it last."""
    folder = shipped_folder()
    story = tell(load_definition(folder / "wren4-2.10.yaml"), load_definition(folder / "wren4-2.30.yaml"))
    other_tool = RecordShape(length=16, newline="\r\n")
    header = RecordShape(length=32, header=b"van17 rev2", count=True, entry=0x00800000)
    return {
        "van17_stock_read.bin": dump_image(story.stock, format="binary"),
        "van17_second_read.bin": dump_image(story.again, format="binary"),
        "van17_rev1.hex": dump_image(story.first, format="ihex", shape=RecordShape(length=32)),
        "van17_rev2.s19": dump_image(story.second, format="srec", shape=header),
        "van17_readback.bin": dump_image(story.readback, format="binary"),
        "van17_rev3.zip": _zipped("hot_day_fix.bin", dump_image(story.third, format="binary")),
        "van17_read_after_update.hex": dump_image(story.newer, format="ihex", shape=other_tool),
        **demo_logs(),
        **demo_snapshots(),
        "trust.yaml": trusted_keys(),
        "README.txt": README.encode("ascii"),
    }


def _zipped(name: str, data: bytes) -> bytes:
    """A zip of one member, not compressed: compressors differ from machine to machine."""
    member = zipfile.ZipInfo(name, date_time=(2024, 3, 11, 21, 47, 0))
    member.create_system = 3
    member.external_attr = 0o644 << 16
    packed = BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        archive.writestr(member, data)
    return packed.getvalue()


def write_demo(folder: Path) -> tuple[Path, ...]:
    """Write the demo into a folder, which is made if need be; give the paths in the order of the story.

    A file that is there with the same content stays as it is.

    Raises:
        FileError: a file of that name is there with other content (then nothing is written), or the folder cannot be
            written to.
    """
    files = demo_files()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        missing = [name for name, data in files.items() if not _there(folder / name, data)]
        for name in missing:
            _create(folder / name, files[name])
        tell_vault(folder)
    except OSError as error:
        raise FileError(f"the demo cannot be written: {error.strerror}", file=error.filename or folder) from error
    return tuple(folder / name for name in (*files, VAULT, CHECKPOINT))


def _there(path: Path, data: bytes) -> bool:
    """Whether the file is there already. Raises FileError when it is another one."""
    try:
        found = path.read_bytes()
    except FileNotFoundError:
        return False
    if found != data:
        raise FileError(
            "the demo writes a file of this name, and another one is there: nothing was written",
            file=path,
            hint="choose an empty folder, or move the file away",
        )
    return True


def _create(path: Path, data: bytes) -> None:
    try:
        store(path, data)
    except FileExistsError as error:
        raise FileError("another file of this name appeared while the demo was written", file=path) from error
