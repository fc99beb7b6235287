"""Every JSON document against its published schema, and some of what it says against numbers worked out by hand."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

SCHEMAS = Path(__file__).parents[2] / "docs" / "schemas"
STOCK, REV1, REV2, REV3, NEWER = (
    "van17_stock_read.bin",
    "van17_rev1.hex",
    "van17_rev2.s19",
    "van17_rev3.zip",
    "van17_read_after_update.hex",
)
TOWN, HILLS = "van17_drive_town.csv", "van17_drive_hills.csv"
RAN = ("--image", REV2, "--channels", "channels.yaml")
Run = Callable[..., Any]
ELSEWHERE = {
    *("definition.schema", "policy.schema", "trust.schema", "channels.schema", "entry"),  # no command's documents
    *(
        "history",
        "recorded",
        "verification",
        "restored",
        "key",
        "vault",
    ),  # tests/cli/test_vault_commands.py, test_restore_command.py
    *("trace", "verdict"),  # tests/cli/test_trace_command.py, test_gate_command.py
    *("checkpoint", "proof-check", "inclusion-proof", "consistency-proof"),  # tests/cli/test_checkpoint_command.py
    *("exported", "imported"),  # tests/cli/test_export_command.py
    *("faults", "readback"),  # tests/cli/test_faults_command.py, test_readback_command.py
    "snapshot.schema",  # tests/evidence/test_snapshot_file.py
}
"""schemas that other tests hold documents against"""


def checked(text: str, kind: str) -> dict[str, Any]:
    """The document, valid by the schema of its kind."""
    document: dict[str, Any] = json.loads(text)
    assert (document["caldiff"], document["version"]) == (kind, 1)
    schema = json.loads((SCHEMAS / f"{kind}.json").read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    Draft202012Validator(schema).validate(document)
    return document


@pytest.mark.parametrize(
    ("arguments", "kind"),
    [
        ([STOCK, STOCK], "comparison"),
        ([STOCK, REV1], "comparison"),
        ([REV1, REV2], "comparison"),
        ([REV1, REV2, "--stat", "--tag", "emissions"], "comparison"),
        ([STOCK, NEWER], "comparison"),
        ([STOCK, "README.txt", "--format", "binary"], "comparison"),
        ([STOCK, REV1, REV2, REV3], "series"),
        ([STOCK, STOCK, STOCK], "series"),
        (["show", STOCK], "image"),
        (["show", STOCK, "*"], "image"),
        (["identify", STOCK, REV3, "README.txt", "--format", "binary"], "identity"),
        (["checksum", STOCK, REV3], "checksum"),
        (["checksum", "--find", STOCK, REV1, "--seconds", "0.1"], "checksum-search"),
        (["definition", "list"], "definition-list"),
        (["definition", "compare", "wren4-2.10", "wren4-2.30"], "definition-comparison"),
        (["definition", "check", STOCK], "definition-check"),
        (["demo", "."], "demo"),
        (["coverage", TOWN, *RAN], "coverage"),
        (["coverage", HILLS, *RAN, "--since", REV1, "--statistic", "lambda", "--percentile", "95"], "coverage"),
        (["propose", TOWN, HILLS, *RAN], "proposal"),
    ],
)
def test_documents_keep_their_schema(call: Run, arguments: list[str], kind: str) -> None:
    checked(call(*arguments, "--json").out, kind)


def test_every_schema_is_tested() -> None:
    marks = test_documents_keep_their_schema.pytestmark  # type: ignore[attr-defined]
    tested = {kind for mark in marks for _, kind in mark.args[1]}
    assert {path.stem for path in SCHEMAS.glob("*.json")} - ELSEWHERE == tested


def test_a_comparison_says_what_changed(call: Run) -> None:
    document = checked(call(STOCK, REV1, "--json").out, "comparison")
    assert document["bytes"]["total"] == sum(v for k, v in document["bytes"].items() if k != "total")
    tables = {table["name"]: table for table in document["tables"]}
    idle = tables["idle_target_gas"]  # raised by 60 rpm where the coolant is warm (caldiff/demo/story.py)
    assert [cell["difference"] for cell in idle["cells"]] == [60.0, 60.0, 60.0]
    assert [cell["at"] for cell in idle["cells"]] == [[60.0], [80.0], [110.0]]
    assert idle["statistics"]["raised"] == 3
    assert tables["conversion_label"]["text"]["before"] == "none"
    assert [side["format"] for side in document["sides"]] == ["binary", "ihex"]


def test_personal_fields_are_shortened_unless_asked_for(call: Run) -> None:
    def vin(*arguments: str) -> dict[str, Any]:
        document = json.loads(call(*arguments, "--json").out)
        return next(f for f in document["sides"][0]["identity"] if f["name"] == "vin")

    short, whole = vin(STOCK, REV1), vin(STOCK, REV1, "--show-personal")
    assert (short["shortened"], whole["shortened"]) == (True, False)
    assert short["text"] == "*" * (len(whole["text"]) - 4) + whole["text"][-4:]
    assert whole["text"] not in call(STOCK, REV1).out + call("identify", STOCK).out + call("show", STOCK).out
    assert whole["text"] in call(STOCK, REV1, "--show-personal").out


def test_filters_count_what_they_leave_out(call: Run) -> None:
    every = checked(call(REV1, REV2, "--json").out, "comparison")
    some = checked(call(REV1, REV2, "--json", "--table", "warm_*").out, "comparison")
    assert [t["name"] for t in some["tables"]] == ["warm_up_gas"]
    assert some["left_out"] == len(every["tables"]) - 1
    assert some["bytes"] == every["bytes"]


def test_a_series_says_who_set_what(call: Run) -> None:
    document = checked(call(STOCK, REV1, REV2, REV3, "--json").out, "series")
    # idle on gas is raised in the first revision only, warm-up in the second (caldiff/demo/story.py)
    assert set(document["origins"]["idle_target_gas"]) == {0, 1}
    assert set(document["origins"]["warm_up_gas"]) == {0, 2}
    assert [len(document[k]) for k in ("against_first", "against_previous")] == [3, 3]


def test_identical_content_gives_the_same_document_either_way(call: Run, demo: Path, tmp_path: Path) -> None:
    """Equal files take a short way, equal content in another form the long one; they say the same."""
    copy, packed = tmp_path / "copy.bin", tmp_path / "packed.gz"
    data = (demo / STOCK).read_bytes()
    copy.write_bytes(data)
    packed.write_bytes(gzip.compress(data))
    short = checked(call(STOCK, str(copy), "--json").out, "comparison")
    answer = call(STOCK, str(packed), "--json")
    long = checked(answer.out, "comparison")
    assert answer.status == 0
    assert {k: v for k, v in short.items() if k != "sides"} == {k: v for k, v in long.items() if k != "sides"}
    assert short["sides"][1]["content"] == long["sides"][1]["content"]
