"""What people and CI runners read of a verdict: right, and nothing in it can be made to say or do anything else.

Markdown is read by ``cmarkgfm``, the reference implementation of GitHub-flavoured Markdown in the Python registry, with
raw HTML let through, so that anything that gets out of its place shows. Annotations are read as the runner reads them
(its command form as in the registry's package ``@actions/core``, ``lib/command.js``).
"""

from __future__ import annotations

import re

import attrs
import cmarkgfm
import pytest
from cmarkgfm.cmark import Options
from hypothesis import given
from lxml import html
from verdict_cases import BASE, PASSED, hostile, passed, texts, verdicts

from caldiff.canonical import Digest
from caldiff.gate.verdict import FileVerdict, Refusal, RuleOutcome, Verdict
from caldiff.render.look import Look, clip, harmless
from caldiff.render.verdict_annotations import verdict_annotations
from caldiff.render.verdict_markdown import verdict_markdown
from caldiff.render.verdict_text import verdict_text
from caldiff.render.verdict_words import CAUTION, Passed, one_line, reasons, tame

EMPTY = attrs.evolve(BASE, files=())
ACCEPTED = attrs.evolve(BASE, files=BASE.files[1:])


# ---------------------------------------------------------------------------------------------------------------- text


def test_text_gives_the_reasons_and_what_would_do() -> None:
    said = verdict_text(BASE, PASSED, Look())
    assert said.splitlines()[0] == "! refused: 1 of 2 files, 2 reasons"
    words = " ".join(said.split())
    assert "! unexplained: 4 bytes changed that no definition explains at: 0x00881040, entry 3 of van17" in words
    assert "wanted: a definition that explains them, or the range in the policy's list" in words
    assert "accepted; traced to entry 2 of van17; 1 rule held" in words
    assert "out/readme.txt: this is no image but plain text" in words
    assert "the vault keeps no checkpoint" in words
    assert "refused, 2 reasons; traced to entry 3 of van17; 1 rule held, 1 refused, 1 not asked" in words
    assert CAUTION in words
    assert "byte for byte" not in words


def test_explain_tells_every_rule_and_what_it_read() -> None:
    said = verdict_text(BASE, (), Look(), explain=True)
    rows = [line.split(maxsplit=2) for line in said.splitlines() if re.match(r"  [! ] (held|refused|not asked) ", line)]
    assert ["held", "traceability:", "entry 3 of van17, byte for byte"] in rows
    assert ["!", "refused", "unexplained: 4 bytes"] in rows
    assert ["not", "asked", "approval"] in rows


def test_nothing_judged_is_refused_in_words() -> None:
    assert verdict_text(EMPTY, (), Look()).startswith("! refused: 1 of 1 file, 1 reason\n")
    assert verdict_text(ACCEPTED, (), Look()).startswith("accepted: 1 file\n")
    assert CAUTION not in " ".join(verdict_text(EMPTY, (), Look()).split())


@hostile
@given(verdict=verdicts, beside=passed)
def test_text_does_nothing_to_a_terminal_or_a_runner(verdict: Verdict, beside: list[Passed]) -> None:
    for width in (40, 80):
        said = verdict_text(verdict, beside, Look(width=width), explain=True)
        lines = said.removesuffix("\n").split("\n")
        assert all(line.isprintable() for line in lines)
        assert not any(line.lstrip().startswith("::") for line in lines)
        assert "##" not in said
        assert lines[0].startswith("accepted: ") == verdict.accepted
        assert lines[0].startswith("! refused: ") != verdict.accepted
        assert sum(line.lstrip().startswith("! ") for line in lines) >= sum(len(reasons(f)) for f in verdict.files)


# ------------------------------------------------------------------------------------------------------------ Markdown


def page(text: str) -> html.HtmlElement:
    unsafe = Options.CMARK_OPT_UNSAFE
    found = cmarkgfm.markdown_to_html_with_extensions(
        text, options=unsafe, extensions=["table", "autolink", "strikethrough", "tasklist"]
    )
    return html.fromstring(f"<div>{found}</div>")


def loose(element: html.HtmlElement) -> str:
    """The text that stands in no code, where a host looks for mentions and references."""
    for code in element.xpath("//code | //pre"):
        code.text = ""
    return str(element.text_content())


def test_markdown_reads_as_meant() -> None:
    read = page(verdict_markdown(BASE, PASSED))
    assert [e.text_content() for e in read.xpath("//h2 | //h3")] == [
        "Calibration gate",
        "out/van17_rev2.s19",
        "Notes",
    ]
    assert [[c.text_content() for c in row] for row in read.xpath("//tr")] == [
        ["File", "Verdict", "Entry", "Reasons"],
        ["out/van17_rev2.s19", "refused", "entry 3 of van17", "2"],
        ["out/van17_rev1.hex", "accepted", "entry 2 of van17", "0"],
    ]
    (block,) = read.xpath("//pre/code")
    assert "unexplained: 4 bytes changed that no definition explains" in block.text
    assert read.xpath("//strong")[0].text == "refused: 1 of 2 files, 2 reasons"
    assert read.xpath("//em")[-1].text == CAUTION


@hostile
@given(verdict=verdicts, beside=passed)
def test_markdown_cannot_be_broken_out_of(verdict: Verdict, beside: list[Passed]) -> None:
    text = verdict_markdown(verdict, beside)
    read = page(text)
    files = verdict.files or (FileVerdict(path="(no file)"),)
    refused = [file for file in files if not file.accepted]
    notes = len(beside) + len(verdict.notes)
    known = {"div", "h2", "h3", "p", "strong", "em", "code", "pre", "ul", "li", "table", "thead", "tbody", "tr"}
    assert {e.tag for e in read.iter()} <= known | {"th", "td"}
    rows = read.xpath("//tr")
    assert [len(row) for row in rows] == [4] * (len(files) + 1)
    assert [len(read.xpath(f"//{tag}")) for tag in ("h2", "h3", "pre", "li", "em")] == [
        1,
        len(refused) + bool(notes),
        len(refused),
        notes,
        any(file.accepted for file in files),
    ]
    shown = [str(row[0].text_content()).strip() for row in rows[1:]]
    wanted = sorted(files, key=lambda file: file.accepted)
    told = [clip(tame(file.path).replace("|", r"\x7c"), 200, mark="…").strip() for file in wanted]
    assert shown == [text or shown[n] for n, text in enumerate(told)]  # nothing at all is shown as some word
    assert not re.search(r"[@#<>\[]|www|http|evil", loose(read))


def test_markdown_fits_a_comment_and_says_what_is_missing() -> None:
    """Far too many reasons: under 65,536 characters, from memory what a comment takes."""
    refusal = Refusal(rule="limits", text="beyond its limits " * 20, table="`" * 50)
    many = RuleOutcome(rule="limits", outcome="refused", refusals=(refusal,) * 500)
    files = tuple(FileVerdict(path="x" * 300 + str(n), unit="u", rules=(many,)) for n in range(500))
    text = verdict_markdown(attrs.evolve(BASE, files=files, notes=("n" * 500,) * 500), PASSED)
    assert len(text) < 65_536
    assert len(re.findall(r"^\.\.\. and \d+ more: see the log of the run$", text, re.MULTILINE)) == 3
    assert len(page(text).xpath("//pre")) == len(page(text).xpath("//h3")) - 1 >= 1


# --------------------------------------------------------------------------------------------------------- annotations


def commands(text: str) -> list[tuple[str, dict[str, str], str]]:
    """What a runner makes of the lines."""
    found = []
    for line in text.removesuffix("\n").splitlines():
        command, _, rest = line.removeprefix("::").partition(" ")
        told, mark, data = rest.partition("::")
        assert line.startswith("::"), line
        assert mark, line
        properties = dict(part.split("=", 1) for part in told.split(","))
        for escaped, plain in (("%3A", ":"), ("%2C", ","), ("%0D", "\r"), ("%0A", "\n"), ("%25", "%")):
            properties = {name: value.replace(escaped, plain) for name, value in properties.items()}
            data = data if escaped in {"%3A", "%2C"} else data.replace(escaped, plain)
        found.append((command, properties, data))
    return found


def test_annotations_stand_at_their_files() -> None:
    one, two, third, fourth, last = commands(verdict_annotations(BASE, PASSED))
    assert one[:2] == ("error", {"file": "out/van17_rev2.s19", "title": "caldiff gate: unexplained"})
    assert one[2].startswith("4 bytes changed that no definition explains; at: 0x00881040, entry 3 of van17; found: ")
    assert two[2] == "and one more; at: table ignition_base"
    assert third[:2] == ("notice", {"file": "out/readme.txt", "title": "caldiff gate"})
    assert fourth[2] == "the vault keeps no checkpoint"
    assert last[0] == "error"
    assert last[2].startswith("refused: 1 of 2 files, 2 reasons; policy house. ")


@pytest.mark.parametrize(
    ("path", "written"),
    [("a,b:c%.bin", "a%2Cb%3Ac%25.bin"), ("x\r\n::error::y", r"x\r\n%3A%3Aerror%3A%3Ay")],
)
def test_annotations_are_escaped(path: str, written: str) -> None:
    verdict = attrs.evolve(BASE, files=(FileVerdict(path=path, file=Digest.of(b"")),))
    assert verdict_annotations(verdict, ()).startswith(
        f"::error file={written},title=caldiff gate%3A gate::nothing was "
    )


@hostile
@given(verdict=verdicts, beside=passed)
def test_annotations_bring_no_command_of_their_own(verdict: Verdict, beside: list[Passed]) -> None:
    text = verdict_annotations(verdict, beside)
    read = commands(text)
    files = verdict.files or (FileVerdict(path="(no file)"),)
    wanted = [(file, refusal) for file in files for refusal in reasons(file)]
    assert [command for command, _, _ in read] == (
        ["error"] * len(wanted)
        + ["notice"] * (len(beside) + len(verdict.notes))
        + ["notice" if verdict.accepted else "error"]
    )
    for (_, properties, data), (file, refusal) in zip(read, wanted, strict=False):
        assert set(properties) == {"file", "title"}
        assert properties["file"] == harmless(file.path).replace("##", r"#\x23")
        assert data == tame(one_line(refusal))
    assert "##" not in text


@given(texts)
def test_tamed_text_starts_no_command(text: str) -> None:
    found = tame(text)
    assert found.isprintable()
    assert "::" not in found
    assert "##" not in found
