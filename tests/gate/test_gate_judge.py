"""The gate over a real vault: files traced, judged, refused; and nothing taken away ever turns a no into a yes."""

from __future__ import annotations

import gzip
import os
import shutil
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import attrs
import pytest
from gate_shop import BOSS, MAKER, OTHER, READER, STOCK, TINY, TRUST, WARMER, changed, time_on
from hypothesis import given, settings
from hypothesis import strategies as st

from caldiff.canonical import Digest
from caldiff.definition.catalogue import Catalogue
from caldiff.errors import CaldiffError
from caldiff.gate.gate import judge
from caldiff.gate.policy import Policy
from caldiff.gate.policy_file import default_policy, policy_from_text
from caldiff.gate.rules.every import RULES
from caldiff.gate.verdict import FileVerdict, Verdict
from caldiff.image.model import Image
from caldiff.image.reading import read_image
from caldiff.image.writing import write_image
from caldiff.ledger.chain import Head
from caldiff.ledger.signing import PrivateKey
from caldiff.ledger.trust import Trust
from caldiff.table.calibration import Calibration
from caldiff.trace.recording import Recorder
from caldiff.vault.vault import Vault

HOUSE = """
policy: 1
name: house
extends: strict
protected: {tags: [emissions]}
evidence: {faults: null}
changes: {"*": {baseline: {absolute: 5}, words: passed over}}
steps: {spark: {most: 6}}
"""
SECOND = changed({0x44: bytes([102])})
"""spark 1 degCA above the stock"""


@attrs.frozen
class World:
    folder: Path
    vault: Vault
    catalogue: Catalogue

    def file(self, name: str, data: bytes) -> Path:
        path = self.folder / name
        path.write_bytes(data)
        return path

    def recorder(self, day: int, *signers: PrivateKey, author: str = "") -> Recorder:
        return Recorder(vault=self.vault, time=time_on(day), author=author, signers=signers, catalogue=self.catalogue)

    def judge(self, *files: Path | Calibration, policy: Policy | None = None, **more: object) -> Verdict:
        more = {"trust": TRUST, "catalogue": self.catalogue} | more
        return judge(files, vault=self.vault, policy=policy or policy_from_text(HOUSE), **more)  # type: ignore[arg-type]


def record_all(world: World) -> None:
    """A story in which everything is in order: two revisions, the second one approved by two."""
    world.recorder(1, READER, author="R. Reader").baseline("van-1", world.file("stock.bin", STOCK))
    world.recorder(1, READER).repeat("van-1", world.file("again.bin", changed({0xD1: b"\x07"})))
    world.recorder(2, MAKER, author="M. Maker").revision("van-1", world.file("first.bin", WARMER))
    world.recorder(5, READER).evidence("van-1", [world.file("log.csv", b"1,2\n")], sort="log", of="2")
    world.recorder(6, MAKER, author="M. Maker").revision("van-1", world.file("second.bin", SECOND))
    world.recorder(7, BOSS).approval("van-1", of="latest")
    world.recorder(7, OTHER).approval("van-1", of="latest")


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> World:
    folder = tmp_path_factory.mktemp("gate")
    (folder / "definitions").mkdir()
    (folder / "definitions" / "tiny-1.yaml").write_text(TINY, encoding="utf-8")
    vault = Vault.create(folder / "vault", id="0" * 32)
    world = World(folder, vault, Catalogue((folder / "definitions",)))
    record_all(world)
    return world


@pytest.fixture
def world(template: World, tmp_path: Path) -> World:
    """A copy that may be spoilt."""
    shutil.copytree(template.folder, tmp_path / "w")
    return copied(tmp_path / "w")


def copied(folder: Path) -> World:
    return World(folder, Vault.open(folder / "vault"), Catalogue((folder / "definitions",)))


def only(verdict: Verdict) -> FileVerdict:
    (file,) = verdict.files
    return file


def refused(verdict: Verdict) -> set[str]:
    return {refusal.rule for _, refusal in verdict.refusals}


def test_what_is_in_order_may_go_out(template: World) -> None:
    verdict = template.judge(template.folder / "second.bin")
    assert verdict.refusals == ()
    assert verdict.accepted
    file = only(verdict)
    assert (file.unit, file.sequence, file.file) == ("van-1", 4, Digest.of(SECOND))
    assert [rule.rule for rule in file.rules] == ["image", *RULES]
    assert all(rule.read for rule in file.rules if rule.outcome != "not asked")
    assert verdict.notes == policy_from_text(HOUSE).cautions
    assert (verdict.policy, verdict.policy_digest) == ("house", policy_from_text(HOUSE).digest)


def test_the_default_policy_over_the_same_story(template: World) -> None:
    """Strict wants fault codes besides the log."""
    assert refused(template.judge(template.folder / "second.bin", policy=default_policy())) == {"evidence"}


def test_the_first_revision_was_approved_by_nobody(template: World) -> None:
    assert refused(template.judge(template.folder / "first.bin")) == {"approval"}


def test_a_stranger_and_the_stock_itself(template: World) -> None:
    stranger = template.file("stranger.bin", changed({0x44: b"\x01"}))
    verdict = template.judge(stranger, template.folder / "stock.bin", template.folder / "second.bin")
    assert [file.accepted for file in verdict.files] == [False, False, True]
    assert not verdict.accepted
    assert (verdict.files[0].unit, refused(template.judge(stranger))) == (None, {"traceability"})
    assert "traceability" in {r.rule for r in verdict.files[1].refusals}


def test_no_files_are_nothing_that_may_go_out(template: World) -> None:
    assert not template.judge().accepted


def test_the_same_content_in_another_file(template: World) -> None:
    packed = template.file("second.bin.gz", gzip.compress(SECOND, mtime=0))
    records = template.folder / "second.hex"
    write_image(read_image(SECOND, name="x", format="binary"), records, format="ihex")
    for path in (packed, records):
        verdict = template.judge(path)
        assert verdict.accepted, verdict.refusals
        assert refused(template.judge(path, policy=policy_from_text(f"{HOUSE}traceability: {{by: file}}"))) == {
            "traceability"
        }


def test_an_image_at_hand(template: World) -> None:
    image = read_image(template.folder / "second.bin")
    assert template.judge(Calibration(label="second", image=image, definition=None)).accepted
    made = Image.of(SECOND)
    assert template.judge(Calibration(label="made", image=made, definition=None)).accepted
    other = Image.of(changed({0x44: b"\x01"}))
    assert not template.judge(Calibration(label="other", image=other, definition=None)).accepted


@pytest.mark.parametrize("what", ["missing", "folder", "pipe", "empty", "broken"])
def test_what_is_no_file_is_refused_and_the_others_are_judged(world: World, what: str) -> None:
    path = world.folder / "odd"
    match what:
        case "folder":
            path.mkdir()
        case "pipe":
            os.mkfifo(path)
        case "empty":
            path.write_bytes(b"")
        case "broken":
            path.write_bytes(b":10000000zz\n")
    verdict = world.judge(path, world.folder / "second.bin")
    assert [file.accepted for file in verdict.files] == [False, True]
    assert refused(world.judge(path)) <= {"image", "traceability"}


@pytest.mark.parametrize("pin", ["same", "longer", "other", "unit"])
def test_pinned_heads(template: World, pin: str) -> None:
    head = Head.of(template.vault.chain("van-1"))
    wrong = {
        "same": head,
        "longer": attrs.evolve(head, sequence=head.sequence + 1),
        "other": attrs.evolve(head, hash=Digest.of(b"")),
        "unit": attrs.evolve(head, unit="van-2"),
    }[pin]
    verdict = template.judge(template.folder / "second.bin", pinned=[wrong])
    assert verdict.accepted is (pin == "same")
    assert refused(verdict) == (set() if pin == "same" else {"proof"})


def test_a_policy_that_wants_the_head_needs_one(template: World) -> None:
    wants = policy_from_text(f"{HOUSE}proof: {{levels: [head]}}")
    assert refused(template.judge(template.folder / "second.bin", policy=wants)) == {"proof"}
    head = Head.of(template.vault.chain("van-1"))
    assert template.judge(template.folder / "second.bin", policy=wants, pinned=[head]).accepted


def test_the_same_file_of_two_units_is_judged_by_both(world: World) -> None:
    """The newer entry is asked first and refused, which settles nothing."""
    world.recorder(8, READER).baseline("van-2", world.folder / "stock.bin")
    for number in range(4):
        world.recorder(8).note("van-2", message=f"note {number}")
    world.recorder(9, MAKER).revision("van-2", world.folder / "second.bin")
    verdict = world.judge(world.folder / "second.bin")
    assert (verdict.accepted, only(verdict).unit) == (True, "van-1")
    approving = policy_from_text(f"{HOUSE}approval: {{people: 3}}")
    assert not world.judge(world.folder / "second.bin", policy=approving).accepted


def test_a_unit_that_cannot_be_read_is_noted_and_the_others_are_judged(world: World) -> None:
    world.recorder(8, READER).baseline("van-2", world.folder / "stock.bin")
    for entry in (world.folder / "vault/units/van-2").iterdir():
        entry.write_bytes(b"nothing")
    verdict = world.judge(world.folder / "second.bin")
    assert verdict.accepted
    assert any("van-2" in note for note in verdict.notes)


# --------------------------------------------------------------------------- nothing taken away turns a no into a yes


def _story(vault: Path) -> list[Path]:
    """Every file of the vault."""
    return sorted(path for path in vault.rglob("*") if path.is_file())


def test_no_file_of_the_vault_can_go_without_a_refusal(template: World, tmp_path: Path) -> None:
    """Each is needed for the yes, but for recovery data and a word to git, which prove nothing."""
    for number, path in enumerate(_story(template.folder / "vault")):
        if path.name.endswith(".mend") or path.name == ".gitattributes":
            continue
        shutil.copytree(template.folder, tmp_path / str(number))
        (tmp_path / str(number) / path.relative_to(template.folder)).unlink()
        try:
            verdict = copied(tmp_path / str(number)).judge(tmp_path / str(number) / "second.bin")
        except CaldiffError:
            continue  # the vault cannot be opened
        assert not verdict.accepted, path


@pytest.mark.parametrize("name", ["R. Reader", "M. Maker", "B. Boss", "O. Other"])
def test_no_trusted_key_can_go_without_a_refusal(template: World, name: str) -> None:
    keys = tuple(key for key in TRUST.keys if key.name != name)
    less = attrs.evolve(TRUST, keys=keys)
    assert not template.judge(template.folder / "second.bin", trust=less).accepted
    assert not template.judge(template.folder / "second.bin", trust=None).accepted


def test_without_definitions_nothing_is_known(template: World) -> None:
    assert refused(template.judge(template.folder / "second.bin", catalogue=Catalogue(()))) == {"definition"}


STEPS: tuple[tuple[str, Callable[[World], object]], ...] = (
    ("repeat", lambda w: w.recorder(1, READER).repeat("van-1", w.folder / "again.bin")),
    ("first", lambda w: w.recorder(2, MAKER, author="M").revision("van-1", w.folder / "first.bin")),
    ("log", lambda w: w.recorder(5, READER).evidence("van-1", [w.folder / "log.csv"], sort="log")),
    ("second", lambda w: w.recorder(6, MAKER, author="M").revision("van-1", w.folder / "second.bin")),
    ("boss", lambda w: w.recorder(7, BOSS).approval("van-1", of="latest")),
    ("other", lambda w: w.recorder(7, OTHER).approval("van-1", of="latest")),
)
NEEDED = {"repeat", "second", "boss", "other"}


def subsets() -> Iterator[tuple[set[str], bool]]:
    """Each subset that lacks one or two steps, and whether it may go out: without the first revision no log is due."""
    names = [name for name, _ in STEPS]
    for one in names:
        for two in names:
            left = set(names) - {one, two}
            yield left, left >= NEEDED and ("log" in left or "first" not in left)


@pytest.mark.parametrize(("left", "accepted"), [(kept, yes) for kept, yes in subsets() if "second" in kept][::3])
def test_a_story_that_lacks_something(template: World, tmp_path: Path, left: set[str], *, accepted: bool) -> None:
    for name in ("stock.bin", "again.bin", "first.bin", "second.bin", "log.csv"):
        shutil.copy(template.folder / name, tmp_path / name)
    shutil.copytree(template.folder / "definitions", tmp_path / "definitions")
    Vault.create(tmp_path / "vault", id="1" * 32)
    world = copied(tmp_path)
    world.recorder(1, READER).baseline("van-1", world.folder / "stock.bin")
    for name, step in STEPS:
        if name in left:
            step(world)
    verdict = world.judge(world.folder / "second.bin")
    assert verdict.accepted is accepted, verdict.refusals


ANY_RULE = st.sampled_from([
    "signatures: {revision: {roles: [reader]}}", "repeat: {least: 2}", "checksums: {least: 3}",
    "axes: {rising: strictly}", "protected: {tags: [ignition]}", "limits: {spark: {high: 12}}",
    "changes: {spark: {parent: {percent: 1}}}", "steps: {spark: {most: 1}}", "identity: {means: [cvn]}",
    "evidence: {faults: {}}", "approval: {people: 3}", "unexplained: {}", "proof: {levels: [head]}",
    "definition: {known: [catalogue]}", "traceability: {by: file}",
])  # fmt: skip


@settings(max_examples=8)
@given(rules=st.lists(ANY_RULE, unique_by=lambda text: text.split(":")[0], max_size=6))
def test_more_rules_refuse_more(template: World, rules: list[str]) -> None:
    """What a few rules refuse, the same ones and more refuse too."""
    path = template.folder / "second.bin"
    found = [refused(template.judge(path, policy=_made(rules[:n]))) for n in range(0, len(rules) + 1, 3)]
    for fewer, more in pairwise(found):
        assert fewer <= more


def _made(rules: list[str]) -> Policy:
    return policy_from_text("\n".join(["policy: 1", "name: made", *rules]))


@settings(max_examples=20)
@given(data=st.binary(max_size=400))
def test_any_bytes_are_judged_and_refused(template: World, data: bytes) -> None:
    verdict = template.judge(template.file("any.bin", data))
    assert verdict.accepted is (data == SECOND)


def test_a_trusted_key_that_is_none_raises(template: World) -> None:
    bad = Trust(name="bad", digest=Digest.of(b""), keys=(attrs.evolve(TRUST.keys[0], key="nonsense"),))
    with pytest.raises(CaldiffError):
        template.judge(template.folder / "second.bin", trust=bad)
