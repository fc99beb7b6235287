"""Say in engineering units what a revision changed in an engine-controller calibration.

The public names; each is imported from its room when it is first asked for, so ``import caldiff`` costs next to
nothing.

    >>> import caldiff
    >>> before = caldiff.open("stock.bin")
    >>> after = caldiff.open("revision.hex")
    >>> caldiff.compare(before, after)
"""

from __future__ import annotations

from importlib import import_module

TYPE_CHECKING = False
if TYPE_CHECKING:  # typing takes as long to import as Python to start
    from caldiff.canonical import Digest as Digest
    from caldiff.checksum.correct import correct as correct_checksums
    from caldiff.checksum.find import find as find_checksums
    from caldiff.checksum.state import states as checksum_states
    from caldiff.definition.catalogue import Catalogue as Catalogue
    from caldiff.definition.catalogue import load_definition as load_definition
    from caldiff.definition.definition import Definition as Definition
    from caldiff.diff.compare import compare as compare
    from caldiff.diff.model import Comparison as Comparison
    from caldiff.diff.model import Series as Series
    from caldiff.diff.series import compare_series as compare_series
    from caldiff.errors import CaldiffError as CaldiffError
    from caldiff.image.limits import Limits as Limits
    from caldiff.image.model import Image as Image
    from caldiff.image.reading import read_image as read_image
    from caldiff.image.writing import dump_image as dump_image
    from caldiff.image.writing import write_image as write_image
    from caldiff.table.calibration import Calibration as Calibration
    from caldiff.table.decode import decode as decode
    from caldiff.table.encode import write_table as write_table
    from caldiff.table.model import Table as Table
    from caldiff.table.opening import open_calibration as open  # noqa: A004 - caldiff.open reads like gzip.open

__version__ = "0.1.0"

_ROOMS = {
    "Calibration": "caldiff.table.calibration",
    "CaldiffError": "caldiff.errors",
    "Catalogue": "caldiff.definition.catalogue",
    "Comparison": "caldiff.diff.model",
    "Definition": "caldiff.definition.definition",
    "Digest": "caldiff.canonical",
    "Image": "caldiff.image.model",
    "Limits": "caldiff.image.limits",
    "Series": "caldiff.diff.model",
    "Table": "caldiff.table.model",
    "checksum_states": "caldiff.checksum.state",
    "compare": "caldiff.diff.compare",
    "compare_series": "caldiff.diff.series",
    "correct_checksums": "caldiff.checksum.correct",
    "decode": "caldiff.table.decode",
    "dump_image": "caldiff.image.writing",
    "find_checksums": "caldiff.checksum.find",
    "load_definition": "caldiff.definition.catalogue",
    "open": "caldiff.table.opening",
    "read_image": "caldiff.image.reading",
    "write_image": "caldiff.image.writing",
    "write_table": "caldiff.table.encode",
}
_RENAMED = {
    "checksum_states": "states",
    "correct_checksums": "correct",
    "find_checksums": "find",
    "open": "open_calibration",
}

__all__ = [
    "CaldiffError",
    "Calibration",
    "Catalogue",
    "Comparison",
    "Definition",
    "Digest",
    "Image",
    "Limits",
    "Series",
    "Table",
    "__version__",
    "checksum_states",
    "compare",
    "compare_series",
    "correct_checksums",
    "decode",
    "dump_image",
    "find_checksums",
    "load_definition",
    "open",
    "read_image",
    "write_image",
    "write_table",
]


def __getattr__(name: str) -> object:
    if name not in _ROOMS:
        raise AttributeError(f"module 'caldiff' has no attribute {name!r}")
    value = getattr(import_module(_ROOMS[name]), _RENAMED.get(name, name))
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
