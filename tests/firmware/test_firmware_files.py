"""Two builds of one firmware by cross compilers: every file of them holds one content, and a fresh build the same.

Sources: GNU objcopy and srec_cat write the formats; pyelftools reads the segments; GNU nm lists the objects.
"""

from __future__ import annotations

import gzip
import shutil
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from caldiff.definition.catalogue import load_definition
from caldiff.diff.compare import compare
from caldiff.image.model import Image, Segment
from caldiff.image.reading import read_image
from caldiff.image.writing import dump_image
from caldiff.table.calibration import Calibration
from caldiff.table.fit import fits

HERE = Path(__file__).parent
OUT = HERE / "out"
BUILDS = ("firmware-be", "firmware-le")
FORMATS = {
    ".elf": "elf",
    ".hex": "ihex",
    "-linear.hex": "ihex",
    ".s19": "srec",
    ".s37": "srec",
    "-counted.s37": "srec",
    ".txt": "titxt",
}


@pytest.fixture(scope="module")
def image(build: Any) -> Image:
    return read_image(build.file(".elf"))


@pytest.mark.parametrize("ending", FORMATS)
def test_every_format_holds_the_same_content(ending: str, build: Any, image: Image) -> None:
    found = read_image(build.file(ending))
    assert found.content == image.content
    assert found.source is not None
    assert found.source.format == FORMATS[ending]


@pytest.mark.parametrize("ending", ["-a2.hex", "-a3.hex", "-a2.s19", "-a3.s19"])
def test_short_address_forms_hold_the_same_content(ending: str) -> None:
    assert read_image(OUT / f"firmware-le{ending}").content == read_image(OUT / "firmware-le.elf").content


def test_binaries_placed_by_hand_hold_the_same_content(build: Any, image: Image) -> None:
    parts = {".head": "-program.bin", ".cal": "-cal.bin"}
    placed = [
        read_image(build.file(ending), start=build.dwarf.elf.get_section_by_name(section)["sh_addr"])
        for section, ending in parts.items()
    ]
    assert Image(segments=tuple(segment for part in placed for segment in part)).content == image.content


def test_the_image_is_what_the_linker_loads(build: Any, image: Image) -> None:
    """pyelftools reads the segments; .data counts where it is loaded, .bss nowhere."""
    loads = build.dwarf.elf.iter_segments("PT_LOAD")
    segments = tuple(Segment(start=s["p_paddr"], data=s.data()) for s in loads)
    assert image == Image(segments=segments)
    assert len(image.segments) == 2


@pytest.mark.parametrize("ending", [".elf", ".hex", ".s37", ".txt"])
def test_packed_files_hold_the_same_content(ending: str, build: Any, image: Image, tmp_path: Path) -> None:
    plain = build.file(ending)
    (tmp_path / "image.gz").write_bytes(gzip.compress(plain.read_bytes()))
    with zipfile.ZipFile(tmp_path / "image.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.write(plain, "from a customer/read.out")
    assert read_image(tmp_path / "image.gz").content == image.content
    assert read_image(tmp_path / "image.zip").content == image.content


@pytest.mark.parametrize(
    "path", sorted(p for p in OUT.iterdir() if p.suffix not in {".elf", ".nm"}), ids=lambda p: p.name
)
def test_objcopys_and_srec_cats_files_are_written_again_to_the_byte(path: Path) -> None:
    assert dump_image(read_image(path)) == path.read_bytes()


# ------------------------------------------------------------------------------------------- fitting and comparing


def test_each_definition_fits_its_own_build_only(build: Any, image: Image) -> None:
    fitting = [n for n in BUILDS if fits(load_definition(HERE / f"{n}.yaml"), image)]
    assert fitting == [build.name]


def test_regions_are_the_sections(build: Any) -> None:
    sections = {
        s.name: (build.dwarf.loaded(s["sh_addr"]), s["sh_size"])
        for s in build.dwarf.elf.iter_sections("SHT_PROGBITS")
        if s.name in {".head", ".text", ".data", ".cal"}
    }
    regions = {
        region.name: (region.start, region.size) for region in load_definition(HERE / f"{build.name}.yaml").regions
    }
    names = {"head": ".head", "program": ".text", "learned": ".data", "calibration": ".cal"}
    assert regions == {name: sections[section] for name, section in names.items()}


def test_the_two_builds_differ_in_no_table() -> None:
    """One source, two layouts and byte orders: by name and in physical units nothing changed."""
    before, after = (
        Calibration(label=n, image=read_image(OUT / f"{n}.elf"), definition=load_definition(HERE / f"{n}.yaml"))
        for n in BUILDS
    )
    found = compare(before, after)
    assert found.across
    assert [(t.name, t.state) for t in found.tables] == [("every_f16", "added")]
    assert found.axes == ()
    assert found.identity == ()


# ----------------------------------------------------------------------------------------------------------- rebuilding

TOOLS = ("powerpc-linux-gnu-gcc", "arm-none-eabi-gcc", "srec_cat")


@pytest.mark.skipif(not all(shutil.which(tool) for tool in TOOLS), reason=f"needs {', '.join(TOOLS)}")
def test_a_fresh_build_says_the_same(tmp_path: Path, open_build: Callable[[str, Path], Any]) -> None:
    """The calibration's bytes and every object's address and size follow from the C source, the ABIs and the linker
    script: the same from every compiler. Code and debugging information are the compiler's own and may differ, so
    whole files are compared with each other inside the fresh build only: all formats, one content.
    """
    subprocess.run([HERE / "build.sh", tmp_path], check=True, timeout=120)
    for name in BUILDS:
        kept, fresh = open_build(name, OUT), open_build(name, tmp_path)
        assert fresh.file("-cal.bin").read_bytes() == kept.file("-cal.bin").read_bytes()
        assert {n: fresh.objects[n] for n in kept.values if n in kept.objects} == {
            n: kept.objects[n] for n in kept.values if n in kept.objects
        }
        contents = {read_image(fresh.file(ending)).content for ending in FORMATS}
        assert len(contents) == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(p.name for p in (OUT).iterdir())
