"""Entries that lie, made by hand with a valid hash: each lie is found, and named."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import attrs
import pytest
from trace_shop import FUEL, LEARNED, OWN, PROGRAM, TIME, TOP_SPEED, Shop, changed, image

from caldiff.canonical import Digest
from caldiff.ledger.entry import (
    Baseline,
    Body,
    Changes,
    ChecksumFact,
    DefinitionFact,
    Delivery,
    Draft,
    Entry,
    ImageFacts,
    Readback,
    Return,
    Revision,
    Subject,
)
from caldiff.ledger.finding import Finding
from caldiff.table.personal import Key
from caldiff.trace import replay as module
from caldiff.trace.kept import Kept
from caldiff.trace.replay import replay

KEY = Key(b"sixteen bytes and some more")
OTHER = Digest.of(b"something else")


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    """A shop with a story of every kind of entry with meaning, true in every word."""
    shop = Shop(tmp_path_factory.mktemp("story"))
    recorder = shop.recorder(key=KEY)
    recorder.baseline("van17", shop.file("stock.bin", image()))
    recorder.repeat("van17", shop.file("second.bin", changed(LEARNED, 0)))
    data = changed(TOP_SPEED, 99, a0x1084=60, a0x1081=21, a0x1041=7, a0x11F0=0, stale=True)
    recorder.revision("van17", shop.file("rev1.bin", data), authorities={"speed-limit": "the owner"})
    recorder.delivery("van17", of="latest", to="x")
    recorder.readback("van17", shop.file("back.bin", data))
    recorder.returned("van17")
    return shop


@pytest.fixture
def told(story: Shop, tmp_path: Path) -> Shop:
    """The story once more, to be damaged or lied to."""
    return Shop.copied(story, tmp_path / "shop")


def findings(shop: Shop, **facts: Any) -> list[Finding]:
    return list(replay(shop.vault, shop.vault.chain("van17"), **facts))


def words(found: list[Finding]) -> list[tuple[int | None, str, str | None, str | None]]:
    return [(f.sequence, f.text, f.expected, f.got) for f in found]


def lie(shop: Shop, sequence: int, **body: Any) -> Entry:
    """Append an entry like an earlier one, with another word in its body; its hash and its links are right."""
    entry = shop.vault.chain("van17").recorded[sequence].entry
    told = attrs.evolve(entry.body, **body)
    draft = Draft(body=told, time=TIME, subjects=entry.draft.subjects)
    return shop.vault.append("van17", draft).entry


def about(shop: Shop, **changes: Any) -> list[tuple[str, str | None, str | None]]:
    """What is found when a revision tells other changes against its parent."""
    body = shop.vault.chain("van17").recorded[2].entry.body
    assert isinstance(body, Revision)
    entry = lie(shop, 2, against_parent=attrs.evolve(body.against_parent, **changes))
    found = findings(shop)
    assert {f.sequence for f in found} == {entry.sequence}
    assert all(f.fault and f.level == "meaning" and f.unit == "van17" and f.hint for f in found)
    return [(f.text, f.expected, f.got) for f in found]


def test_a_true_story(told: Shop) -> None:
    assert findings(told) == []
    assert findings(told, key=KEY) == []
    assert findings(told, key=Key(b"another key, of another shop")) == []


def test_a_true_story_that_goes_on_with_a_better_definition_and_with_other_software(told: Shop) -> None:
    own = told.definitions / "made-1.yaml"
    own.write_text(OWN.replace("tables:\n", "tables:\n  extra: {at: 0x11F0, type: u8}\n"))
    told.recorder().revision("van17", told.file("rev2.bin", changed(FUEL, 61, a0x11F0=1)))
    (told.definitions / "made-2.yaml").write_text(OWN.replace("made-1", "made-2").replace('"MADE 1"', '"MADE 2"'))
    told.recorder().revision("van17", told.file("rev3.bin", image(software=b"MADE 2", a0x1084=62)))
    bodies = [one.entry.body for one in told.vault.chain("van17").revisions]
    assert [b.against_parent.replaced for b in bodies if isinstance(b, Revision)] == [False, False, True]
    assert findings(told) == []


def test_comparisons_stay_at_hand(told: Shop) -> None:
    kept = Kept(told.vault)
    stock, _, revision = told.vault.chain("van17").entries[:3]
    assert findings(told, kept=kept) == []
    first = kept.compared(stock, revision)
    assert kept.compared(stock, revision) is first
    assert (first.after.label, first.fates.unexplained) == ("rev1.bin", 2)


def test_progress(told: Shop) -> None:
    said: list[tuple[int, int]] = []
    findings(told, progress=lambda done, total: said.append((done, total)))
    assert said == [(n, 6) for n in range(1, 7)]


@pytest.mark.parametrize(
    ("lied", "text", "expected", "got"),
    [
        ({"raw": OTHER}, "digest of all raw changes", None, str(OTHER)),
        ({"cell": 1}, "number of bytes in changed cells", "3", "1"),
        ({"checksum": 0}, "number of changed checksum bytes", "4", "0"),
        ({"identity": 1}, "number of changed identity bytes", "0", "1"),
        ({"volatile": 1}, "number of changed volatile bytes", "0", "1"),
        ({"unexplained": 0}, "number of unexplained bytes", "2", "0"),
        ({"code": 0}, "number of changed code bytes", "1", "0"),
        (
            {"tables": (("fuel", 1), ("spark", 0))},
            "list of changed tables",
            "top_speed (1 cells)",
            "nothing",
        ),
        (
            {"tables": (("fuel", 2), ("spark", 0), ("top_speed", 1))},
            "list of changed tables",
            "fuel (1 cells)",
            "fuel (2 cells)",
        ),
        ({"axes": ()}, "list of moved axes", "speed", "nothing"),
        ({"tags": ("fuel", "ignition")}, "list of tags of what changed", "speed-limit", "nothing"),
        ({"regions": ("calibration",)}, "list of regions that changed", "program", "nothing"),
        ({"replaced": True}, "word on whether another definition reads the image", "no", "yes"),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_changes_that_are_told_otherwise(
    told: Shop, lied: dict[str, Any], text: str, expected: str | None, got: str
) -> None:
    ((said, right, wrong),) = about(told, **lied)
    assert said == f"the {text} against its parent is another than the entry says"
    assert wrong == got
    assert right == expected or (expected is None and (right or "").startswith("sha256:"))


def test_every_word_of_changes_is_reckoned_again() -> None:
    """So that a word that is added one day is not forgotten here."""
    assert set(module._CHANGES) == {field.name for field in attrs.fields(Changes)}
    assert set(module._FACTS) == {field.name for field in attrs.fields(ImageFacts)}


def test_less_than_was_changed_against_the_baseline_or_by_a_repeat(told: Shop) -> None:
    revision = lie(told, 2, against_baseline=Changes(raw=OTHER))
    repeat = lie(told, 1, changes=Changes(raw=OTHER))
    found = findings(told)
    assert {f.sequence for f in found} == {revision.sequence, repeat.sequence}
    texts = [f.text for f in found]
    assert "the number of unexplained bytes against the baseline is another than the entry says" in texts
    assert "the number of changed volatile bytes against the baseline is another than the entry says" in texts


@pytest.mark.parametrize(
    ("lied", "text", "expected", "got"),
    [
        ({"container": "zip"}, "container of the file", "none", "zip"),
        ({"size": 511}, "size of the file", "512", "511"),
        ({"content": OTHER}, "content digest", None, str(OTHER)),
        ({"stable": OTHER}, "content digest without volatile regions", None, str(OTHER)),
        ({"stable": None}, "content digest without volatile regions", None, "none"),
        (
            {"checksums": (ChecksumFact(name="calibration", status="valid"),)},
            "state of the checksums",
            "calibration stale",
            "calibration valid",
        ),
        ({"checksums": ()}, "state of the checksums", "calibration stale", "nothing"),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_facts_that_are_told_otherwise(
    told: Shop, lied: dict[str, Any], text: str, expected: str | None, got: str
) -> None:
    facts = told.vault.chain("van17").recorded[2].entry.image
    assert facts is not None
    lie(told, 2, image=attrs.evolve(facts, **lied))
    (found,) = findings(told)
    assert found.text == f"the {text} is another than the entry says"
    assert found.got == got
    assert found.expected == expected or (expected is None and (found.expected or "").startswith("sha256:"))


def changed_identity(shop: Shop, number: int, **facts: Any) -> ImageFacts:
    image = shop.vault.chain("van17").recorded[2].entry.image
    assert image is not None
    identity = list(image.identity)
    identity[number] = attrs.evolve(identity[number], **facts)
    return attrs.evolve(image, identity=tuple(identity))


def test_an_identity_that_is_told_otherwise(told: Shop) -> None:
    lie(told, 2, image=changed_identity(told, 1, text="HW-2"))
    (found,) = findings(told)
    assert found.text == "the identity is another than the entry says"
    assert (found.expected, found.got) == ("hardware 'HW-1' (hardware-number)", "hardware 'HW-2' (hardware-number)")


def test_what_a_person_is_matched_by_can_be_reckoned_with_the_key_only(told: Shop) -> None:
    forged = KEY.digest("vin", "00WREN4V5N0000025")
    lie(told, 2, image=changed_identity(told, 2, match=forged))
    assert findings(told) == []
    (found,) = findings(told, key=KEY)
    assert found.expected == f"vin '*************0017' (personal vin) {KEY.digest('vin', '00WREN4V5N0000017')}"
    assert found.got == f"vin '*************0017' (personal vin) {forged}"


@pytest.mark.parametrize(
    ("facts", "text"),
    [
        ({"format": "paper"}, "the entry names a format that there is none of"),
        ({"format": "ihex"}, "not an Intel HEX record"),
        ({"start": 0x2000}, "definition made-1 does not fit this image"),
    ],
)
def test_facts_by_which_the_file_cannot_be_read(told: Shop, facts: dict[str, Any], text: str) -> None:
    known = told.vault.chain("van17").recorded[2].entry.image
    assert known is not None
    lie(told, 2, image=attrs.evolve(known, **facts))
    (found,) = findings(told)
    assert found.fault
    assert found.text.startswith("what the entry says cannot be reckoned again: ")
    if facts != {"format": "ihex"}:
        assert found.text.endswith(text)


def test_a_start_that_the_definition_has_otherwise(told: Shop) -> None:
    known = told.vault.chain("van17").recorded[2].entry.image
    assert known is not None
    lie(told, 2, image=attrs.evolve(known, start=0))
    assert ("the address of the first byte is another than the entry says", "4096", "0") in [
        (f.text, f.expected, f.got) for f in findings(told)
    ]


@pytest.mark.parametrize("how", ["digest", "name", "files", "none kept"])
def test_a_definition_that_is_not_what_was_kept(told: Shop, how: str) -> None:
    known = told.vault.chain("van17").recorded[2].entry.image
    assert known is not None
    assert known.definition is not None
    fact = known.definition
    wrong: dict[str, DefinitionFact] = {
        "digest": attrs.evolve(fact, digest=OTHER),
        "name": attrs.evolve(fact, name="made-2"),
        "files": attrs.evolve(fact, files=fact.files[:1]),
        "none kept": attrs.evolve(fact, files=()),
    }
    lie(told, 2, image=attrs.evolve(known, definition=wrong[how]))
    (found,) = findings(told)
    assert (
        found.text
        == {
            "digest": "what the entry says cannot be reckoned again: what was kept of definition made-1 is another "
            "definition than the one recorded",
            "name": "the definition is another than the entry says",
            "files": "what the entry says cannot be reckoned again: extends: there is no definition made",
            "none kept": "what the entry says cannot be reckoned again: there is no file to read a definition from",
        }[how]
    )


def test_to_leave_the_definition_out_hides_nothing(told: Shop) -> None:
    """Without a definition every differing byte is unexplained, so to claim that there was none gains nothing."""
    known = told.vault.chain("van17").recorded[2].entry
    assert isinstance(known.body, Revision)
    facts = attrs.evolve(known.body.image, definition=None, stable=None, identity=(), checksums=())
    lie(told, 2, image=facts)
    texts = [f.text for f in findings(told)]
    assert "the number of unexplained bytes against its parent is another than the entry says" in texts


def test_a_readback_that_calls_itself_equal(told: Shop) -> None:
    body = told.vault.chain("van17").recorded[4].entry.body
    assert isinstance(body, Readback)
    stock = told.vault.chain("van17").recorded[0].entry
    assert isinstance(stock.body, Baseline)
    told.vault.append(
        "van17",
        Draft(
            body=Readback(image=stock.body.image, of=body.of, changes=body.changes, finding="equal"),
            time=TIME,
            subjects=stock.draft.subjects,
        ),
    )
    what = "number of unexplained bytes against what should have been in the unit"
    assert f"the {what} is another than the entry says" in [f.text for f in findings(told)]


def test_a_finding_that_its_own_changes_deny(told: Shop) -> None:
    lie(told, 4, finding="other")
    ((sequence, text, expected, got),) = words(findings(told))
    assert text == "the finding of the readback is another than the entry says"
    assert (sequence, expected, got) == (6, "equal", "other")


@pytest.fixture
def stranger(told: Shop) -> Subject:
    return Subject(name="rev1.bin", file=told.vault.keep(changed(PROGRAM, 1)))


@pytest.mark.parametrize("sequence", [3, 5])
def test_another_file_than_the_one_that_is_spoken_of(told: Shop, stranger: Subject, sequence: int) -> None:
    body: Body = told.vault.chain("van17").recorded[sequence].entry.body
    told.vault.append("van17", Draft(body=body, time=TIME, subjects=(stranger,)))
    ((_, text, expected, got),) = words(findings(told))
    what = "baseline" if isinstance(body, Return) else "revision that was delivered"
    assert text == f"the file of the {what} is another than the entry says"
    assert got == str(stranger.file)
    assert expected != got


def test_a_delivery_of_other_content_in_another_format(told: Shop) -> None:
    path = told.file("other.bin", changed(FUEL, 77))
    told.recorder().revision("van17", path)
    other = told.vault.chain("van17").head.entry
    body = told.vault.chain("van17").recorded[3].entry.body
    assert isinstance(body, Delivery)
    draft = Draft(body=attrs.evolve(body, image=other.image), time=TIME, subjects=other.draft.subjects)
    told.vault.append("van17", draft)
    ((_, text, _, _),) = words(findings(told))
    assert text == "the content of the revision that was delivered is another than the entry says"


# ------------------------------------------------------------------------------------------------------------ damage


def damage(shop: Shop, digest: Digest) -> None:
    for path in (shop.folder / "vault" / "objects").rglob(f"{digest.hex}*"):
        path.unlink()


def test_a_file_that_is_gone_is_told_where_it_is_needed(told: Shop) -> None:
    stock = told.vault.chain("van17").recorded[0].entry
    assert stock.file is not None
    damage(told, stock.file)
    found = findings(told)
    assert {0, 1, 2} <= {f.sequence for f in found}
    assert all(f.fault and f.text.startswith("what the entry says cannot be reckoned again") for f in found)


def each_object(shop: Shop) -> Iterator[Path]:
    for path in sorted((shop.folder / "vault" / "objects").rglob("*")):
        if path.is_file() and path.suffix != ".mend":
            yield path


def flipped(data: bytes) -> bytes:
    return bytes([data[0] ^ 1]) + data[1:]


@pytest.mark.parametrize("harm", [flipped, lambda d: d[:-1], lambda d: d[:0], lambda d: d * 2])
def test_no_damage_raises(told: Shop, harm: Callable[[bytes], bytes]) -> None:
    for path in each_object(told):
        data = path.read_bytes()
        path.write_bytes(harm(data))
        assert findings(told), path.name
        path.write_bytes(data)
    assert findings(told) == []
