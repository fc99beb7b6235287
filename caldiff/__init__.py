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
    from caldiff.diff.codes import switched_codes as switched_codes
    from caldiff.diff.compare import compare as compare
    from caldiff.diff.model import Comparison as Comparison
    from caldiff.diff.model import Series as Series
    from caldiff.diff.series import compare_series as compare_series
    from caldiff.errors import CaldiffError as CaldiffError
    from caldiff.evidence.channels import Channels as Channels
    from caldiff.evidence.channels_file import load_channels as load_channels
    from caldiff.evidence.coverage import cover as cover
    from caldiff.evidence.covered import Coverage as Coverage
    from caldiff.evidence.faults import FaultsDiff as FaultsDiff
    from caldiff.evidence.faults import compare_faults as compare_faults
    from caldiff.evidence.log import open_log as open_log
    from caldiff.evidence.logs import open_logs as open_logs
    from caldiff.evidence.logs import rows_of as rows_of
    from caldiff.evidence.proposal import propose as propose
    from caldiff.evidence.proposed import Proposal as Proposal
    from caldiff.evidence.snapshot import Snapshot as Snapshot
    from caldiff.evidence.snapshot_file import open_snapshot as open_snapshot
    from caldiff.gate.gate import judge as judge
    from caldiff.gate.policy import Policy as Policy
    from caldiff.gate.policy_file import load_policy as load_policy
    from caldiff.gate.trust_file import load_trust as load_trust
    from caldiff.gate.verdict import Verdict as Verdict
    from caldiff.image.limits import Limits as Limits
    from caldiff.image.model import Image as Image
    from caldiff.image.reading import read_image as read_image
    from caldiff.image.writing import dump_image as dump_image
    from caldiff.image.writing import write_image as write_image
    from caldiff.ledger.chain import Chain as Chain
    from caldiff.ledger.chain import Head as Head
    from caldiff.ledger.entry import Entry as Entry
    from caldiff.ledger.signing import PrivateKey as PrivateKey
    from caldiff.ledger.signing import PublicKey as PublicKey
    from caldiff.ledger.trust import Trust as Trust
    from caldiff.table.calibration import Calibration as Calibration
    from caldiff.table.decode import decode as decode
    from caldiff.table.encode import write_table as write_table
    from caldiff.table.model import Table as Table
    from caldiff.table.opening import open_calibration as open  # noqa: A004 - caldiff.open reads like gzip.open
    from caldiff.trace.history import History as History
    from caldiff.trace.history import history as history
    from caldiff.trace.recording import Recorder as Recorder
    from caldiff.trace.tracing import Traced as Traced
    from caldiff.trace.tracing import trace as trace_file
    from caldiff.trace.verification import Verification as Verification
    from caldiff.trace.verification import verify as verify
    from caldiff.vault.bundle import export_unit as export_unit
    from caldiff.vault.bundle import import_unit as import_unit
    from caldiff.vault.index import Index as Index
    from caldiff.vault.vault import Vault as Vault

__version__ = "0.1.0"

_ROOMS = {
    "CaldiffError": "caldiff.errors",
    "Calibration": "caldiff.table.calibration",
    "Catalogue": "caldiff.definition.catalogue",
    "Chain": "caldiff.ledger.chain",
    "Channels": "caldiff.evidence.channels",
    "Comparison": "caldiff.diff.model",
    "Coverage": "caldiff.evidence.covered",
    "Definition": "caldiff.definition.definition",
    "Digest": "caldiff.canonical",
    "Entry": "caldiff.ledger.entry",
    "FaultsDiff": "caldiff.evidence.faults",
    "Head": "caldiff.ledger.chain",
    "History": "caldiff.trace.history",
    "Image": "caldiff.image.model",
    "Index": "caldiff.vault.index",
    "Limits": "caldiff.image.limits",
    "Policy": "caldiff.gate.policy",
    "PrivateKey": "caldiff.ledger.signing",
    "Proposal": "caldiff.evidence.proposed",
    "PublicKey": "caldiff.ledger.signing",
    "Recorder": "caldiff.trace.recording",
    "Series": "caldiff.diff.model",
    "Snapshot": "caldiff.evidence.snapshot",
    "Table": "caldiff.table.model",
    "Traced": "caldiff.trace.tracing",
    "Trust": "caldiff.ledger.trust",
    "Vault": "caldiff.vault.vault",
    "Verdict": "caldiff.gate.verdict",
    "Verification": "caldiff.trace.verification",
    "checksum_states": "caldiff.checksum.state",
    "compare": "caldiff.diff.compare",
    "compare_faults": "caldiff.evidence.faults",
    "compare_series": "caldiff.diff.series",
    "correct_checksums": "caldiff.checksum.correct",
    "cover": "caldiff.evidence.coverage",
    "decode": "caldiff.table.decode",
    "dump_image": "caldiff.image.writing",
    "export_unit": "caldiff.vault.bundle",
    "find_checksums": "caldiff.checksum.find",
    "history": "caldiff.trace.history",
    "import_unit": "caldiff.vault.bundle",
    "judge": "caldiff.gate.gate",
    "load_channels": "caldiff.evidence.channels_file",
    "load_definition": "caldiff.definition.catalogue",
    "load_policy": "caldiff.gate.policy_file",
    "load_trust": "caldiff.gate.trust_file",
    "open": "caldiff.table.opening",
    "open_log": "caldiff.evidence.log",
    "open_logs": "caldiff.evidence.logs",
    "open_snapshot": "caldiff.evidence.snapshot_file",
    "propose": "caldiff.evidence.proposal",
    "read_image": "caldiff.image.reading",
    "rows_of": "caldiff.evidence.logs",
    "switched_codes": "caldiff.diff.codes",
    "trace_file": "caldiff.trace.tracing",
    "verify": "caldiff.trace.verification",
    "write_image": "caldiff.image.writing",
    "write_table": "caldiff.table.encode",
}
_RENAMED = {
    "checksum_states": "states",
    "correct_checksums": "correct",
    "find_checksums": "find",
    "open": "open_calibration",
    "trace_file": "trace",
}

__all__ = [
    "CaldiffError",
    "Calibration",
    "Catalogue",
    "Chain",
    "Channels",
    "Comparison",
    "Coverage",
    "Definition",
    "Digest",
    "Entry",
    "FaultsDiff",
    "Head",
    "History",
    "Image",
    "Index",
    "Limits",
    "Policy",
    "PrivateKey",
    "Proposal",
    "PublicKey",
    "Recorder",
    "Series",
    "Snapshot",
    "Table",
    "Traced",
    "Trust",
    "Vault",
    "Verdict",
    "Verification",
    "__version__",
    "checksum_states",
    "compare",
    "compare_faults",
    "compare_series",
    "correct_checksums",
    "cover",
    "decode",
    "dump_image",
    "export_unit",
    "find_checksums",
    "history",
    "import_unit",
    "judge",
    "load_channels",
    "load_definition",
    "load_policy",
    "load_trust",
    "open",
    "open_log",
    "open_logs",
    "open_snapshot",
    "propose",
    "read_image",
    "rows_of",
    "switched_codes",
    "trace_file",
    "verify",
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
