"""Rules about the image itself. What is expected was reckoned by hand from the bytes in gate_shop.py."""

from __future__ import annotations

import struct

import pytest
from gate_shop import STOCK, TINY, WARMER, Shop, changed, told

from caldiff.definition.catalogue import definition_from_text
from caldiff.gate.verdict import RuleOutcome


def ask(rule: str, policy: str, data: bytes, *, parent: bytes | None = None, **more: object) -> RuleOutcome:
    """A revision of the stock, or of a revision of the stock."""
    shop = Shop()
    before = shop.baseline()
    if parent is not None:
        before = shop.revision(before, parent)
    return shop.ask(rule, policy, shop.revision(before, data, day=4, **more))  # type: ignore[arg-type]


# --------------------------------------------------------------------------------------------------------- checksums


def test_valid_checksums() -> None:
    assert ask("checksums", "", WARMER).outcome == "not asked"
    assert ask("checksums", "checksums: {opaque: accepted}", WARMER).outcome == "held"


def test_a_stale_checksum_is_refused() -> None:
    outcome = ask("checksums", "checksums: {opaque: accepted, least: 0}", changed({0x44: b"\x65"}, right=False))
    assert [(r.text, r.address) for r in outcome.refusals] == [("checksum main is stale", 0xC0)]
    # one more than the stock's sum, in the first cell of spark
    stored = sum(STOCK[0x40:0xC0])
    assert outcome.refusals[0].found == f"stored 0x{stored:X}, reckoned 0x{stored + 1:X}"


@pytest.mark.parametrize(
    ("opaque", "data", "held"),
    [
        ("refused", WARMER, False),
        ("accepted", changed({0x30: b"\x99"}), True),
        ("unchanged", WARMER, True),
        ("unchanged", changed({0x30: b"\x99"}), False),  # what it covers
        ("unchanged", changed({0xC4: b"\x99"}), False),  # itself
    ],
)
def test_what_is_not_verifiable(opaque: str, data: bytes, *, held: bool) -> None:
    outcome = ask("checksums", f"checksums: {{opaque: {opaque}}}", data)
    assert (outcome.outcome == "held") is held, told(outcome)


def test_too_few_valid_checksums_are_refused() -> None:
    assert ask("checksums", "checksums: {opaque: accepted, least: 2}", WARMER).outcome == "refused"
    shop = Shop(read_by=None)
    revision = shop.revision(shop.baseline(), WARMER)
    assert shop.ask("checksums", "checksums: {opaque: accepted}", revision).outcome == "refused"


def test_bytes_of_a_checksum_region_that_no_checksum_is_stay() -> None:
    outcome = ask("checksums", "checksums: {opaque: accepted}", changed({0xC9: b"\x01"}))
    assert [r.address for r in outcome.refusals] == [0xC9]


# ------------------------------------------------------------------------------------------------------- unexplained

HIDDEN = changed({0x70: b"\x01\x02", 0xE5: b"\x03"})


def test_unexplained_bytes() -> None:
    assert ask("unexplained", "", HIDDEN).outcome == "not asked"
    assert ask("unexplained", "unexplained: {}", WARMER).outcome == "held"
    outcome = ask("unexplained", "unexplained: {}", HIDDEN)
    assert outcome.refusals[0].text == "3 bytes differ from the baseline, and nothing explains them"
    assert outcome.refusals[0].found == "0x00000070 to 0x00000071, and 1 more run"


def test_ranges_that_may_differ() -> None:
    one = "unexplained: {ranges: {a: {at: 0x70, size: 2, reason: a counter}}}"
    outcome = ask("unexplained", one, HIDDEN)
    assert [r.address for r in outcome.refusals] == [0xE5]
    narrow = "unexplained: {ranges: {a: {at: 0x71, size: 1, reason: r}, b: {at: 0xE0, size: 32, reason: s}}}"
    assert [r.address for r in ask("unexplained", narrow, HIDDEN).refusals] == [0x70]
    both = "unexplained: {ranges: {a: {at: 0x60, size: 32, reason: r}, b: {at: 0xE5, size: 1, reason: s}}}"
    assert ask("unexplained", both, HIDDEN).outcome == "held"


def test_the_parent_counts_as_well_as_the_baseline() -> None:
    outcome = ask("unexplained", "unexplained: {}", WARMER, parent=HIDDEN)
    assert outcome.refusals[0].text == "3 bytes differ from the parent, and nothing explains them"


def test_without_a_definition_nothing_is_explained() -> None:
    shop = Shop(read_by=None)
    revision = shop.revision(shop.baseline(), WARMER)
    outcome = shop.ask("unexplained", "unexplained: {}", revision)
    assert outcome.refusals[0].text == "2 bytes differ from the baseline, and nothing explains them"


# --------------------------------------------------------------------------------------------------------- protected

EMISSIONS = "protected: {tags: [emissions, immobiliser]}"
DIMMER = changed({0x58: b"\x28"})


def test_a_tag_needs_an_authority() -> None:
    assert ask("protected", EMISSIONS, WARMER).outcome == "held"
    outcome = ask("protected", EMISSIONS, DIMMER)
    assert [(r.text, r.table) for r in outcome.refusals] == [("emissions was changed without an authority", "lamp")]
    assert outcome.read == "emissions (1 table), immobiliser (0 tables)"
    assert ask("protected", EMISSIONS, DIMMER, authorities={"emissions": "test stand"}).outcome == "held"
    assert ask("protected", EMISSIONS, DIMMER, authorities={"immobiliser": "test stand"}).outcome == "refused"
    assert ask("protected", EMISSIONS, DIMMER, authorities={"emissions": " "}).outcome == "refused"


def test_an_authority_lasts_for_what_stays_and_no_further() -> None:
    def through(second: bytes, *authorities: str) -> RuleOutcome:
        shop = Shop()
        first = shop.revision(shop.baseline(), DIMMER, authorities=dict.fromkeys(authorities[:1], "stand"))
        return shop.ask(
            "protected",
            EMISSIONS,
            shop.revision(first, second, day=3, authorities=dict.fromkeys(authorities[1:], "stand")),
        )

    kept = changed({0x58: b"\x28", 0x44: b"\x65"})
    assert through(kept, "emissions").outcome == "held"
    outcome = through(kept)
    assert [r.sequence for r in outcome.refusals] == [1]
    further = changed({0x58: b"\x20"})
    assert [r.sequence for r in through(further, "emissions").refusals] == [2]
    assert through(further, "emissions", "emissions").outcome == "held"
    # back to stock is a change like any other, but what was done on the way is gone
    assert [r.sequence for r in through(WARMER).refusals] == [2]


def test_what_an_entry_claims_to_have_changed_is_not_believed() -> None:
    shop = Shop()
    revision = shop.revision(shop.baseline(), WARMER)  # the entry says: spark
    shop.images[revision.entry.hash] = shop.read(DIMMER)
    assert shop.ask("protected", EMISSIONS, revision).outcome == "refused"


def test_a_table_on_a_moved_axis_is_changed() -> None:
    tags = "protected: {tags: [ignition]}"
    outcome = ask("protected", tags, changed({0x43: b"\x2a"}))
    assert [r.table for r in outcome.refusals] == ["spark"]


@pytest.mark.parametrize("what", ["regions: [program]", "roles: [code]"])
def test_regions_by_name_and_role(what: str) -> None:
    policy = f"protected: {{{what}}}"
    assert ask("protected", policy, WARMER).outcome == "held"
    outcome = ask("protected", policy, changed({0x3F: b"\x99"}))
    assert [(r.text, r.address) for r in outcome.refusals] == [("program was changed without an authority", 0x3F)]
    assert ask("protected", policy, changed({0x3F: b"\x99"}), authorities={"program": "works"}).outcome == "held"


def test_a_definition_that_tags_nothing_is_refused() -> None:
    policy = "protected: {tags: [speed-limit]}"
    assert ask("protected", policy, WARMER).outcome == "refused"
    assert ask("protected", "protected: {tags: [speed-limit], untagged: accepted}", WARMER).outcome == "held"
    assert ask("protected", "protected: {regions: [progam]}", WARMER).outcome == "refused"


@pytest.mark.parametrize("what", ["tags: [a], untagged: accepted", "regions: [program]", "roles: [code]"])
def test_without_a_definition_nothing_is_known_to_be_protected(what: str) -> None:
    shop = Shop(read_by=None)
    assert shop.ask("protected", f"protected: {{{what}}}", shop.revision(shop.baseline(), WARMER)).outcome == "refused"


def test_tags_that_the_baselines_definition_had_count_too() -> None:
    shop = Shop()
    stock = shop.baseline()
    # the revision's own definition does not fit the stock, and has lost the tag
    lax = TINY.replace("tags: [emissions]", "tags: [other]").replace("text: TINY", "text: TINZ").replace("tiny-1", "l")
    shop.read_by = definition_from_text(lax)
    revision = shop.revision(stock, changed({0x58: b"\x28", 0x03: b"Z"}))
    policy = "protected: {tags: [emissions], untagged: accepted}"
    assert "table lamp differs" in told(shop.ask("protected", policy, revision))


# ------------------------------------------------------------------------------------------------------------ limits


@pytest.mark.parametrize(
    ("limits", "held"),
    [
        ("spark: {low: 10, high: 18}", True),  # 10 and 18 are its ends
        ("spark: {low: 10.1}", False),
        ("spark: {high: 17.9}", False),
        ("spark: {high: 1e300}", True),
        ("spark: {low: -1e300}", True),
        ("ignition_map: {low: 11}", False),  # by its alias
        ("spark: {low: 10, unit: degCA}", True),
        ("spark: {low: 10, unit: deg}", False),
        ("curved: {low: 1, high: 1}", True),
        ("curved: {high: 0.999999}", False),
        ("fuel: {low: 10, high: 13}", True),
        ("'[fs]*': {low: 1, except: [switches]}", True),
        ("'[fs]*': {low: 10.5, except: [spark, switches]}", False),
        ("'*': {low: -1000}", False),  # switches are flags
        ("'*': {low: -1000, words: passed over}", True),
        ("Spark: {low: 10}", False),  # case counts, so it may be misspelled
        ("boost_*: {high: 2}", False),
        ("boost_*: {high: 2, optional: true}", True),
    ],
)
def test_limits(limits: str, *, held: bool) -> None:
    outcome = ask("limits", f"limits: {{{limits}}}", changed({0x59: b"\x00"}))
    assert (outcome.outcome == "held") is held, told(outcome)


def test_which_cell_is_beyond() -> None:
    outcome = ask("limits", "limits: {spark: {high: 17}}", WARMER)
    (refusal,) = outcome.refusals
    assert refusal.text == "1 cell of table spark beyond the policy's limits"
    assert (refusal.found, refusal.address) == ("18 degCA at index [1, 3]", 0x4B)
    assert refusal.wanted == "at most 17 degCA"
    (refusal,) = ask("limits", "limits: {spark: {high: 16}}", WARMER).refusals
    assert refusal.text == "2 cells of table spark beyond the policy's limits"
    assert refusal.found == "17 degCA at index [1, 2], the first of them"


def test_the_definitions_limits() -> None:
    policy = "limits: {'*': {definition: true, words: passed over}}"
    assert ask("limits", policy, changed({0x44: bytes([170])})).outcome == "held"  # 45 degCA, its limit
    outcome = ask("limits", policy, changed({0x44: bytes([171])}))
    assert [(r.table, r.found) for r in outcome.refusals] == [("spark", "45.5 degCA at index [0, 0]")]


def test_cells_that_stand_in_the_stock_may_be_left_alone() -> None:
    policy = "limits: {spark: {high: 17, cells: %s}}"
    assert ask("limits", policy % "all", WARMER).outcome == "refused"
    assert ask("limits", policy % "changed", WARMER).outcome == "held"
    assert ask("limits", policy % "changed", changed({0x4B: bytes([115])})).outcome == "refused"  # 17.5
    # where an axis moved every cell means something else
    assert ask("limits", policy % "changed", changed({0x43: b"\x2a"})).outcome == "refused"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_what_is_no_number_keeps_no_limit(value: float) -> None:
    data = changed({0x60: struct.pack(">f", value)})
    for limit in ("low: -1e300", "high: 1e300", "definition: true"):
        assert ask("limits", f"limits: {{curved: {{{limit}}}}}", data).outcome == "refused", limit


def test_a_table_that_the_image_does_not_hold_is_refused() -> None:
    outcome = ask("limits", "limits: {curved: {low: 0}}", STOCK[:0x62])
    assert "table curved cannot be read" in told(outcome)


@pytest.mark.parametrize(("rule", "policy"), [
    ("limits", "limits: {'*': {low: 0, optional: true}}"),
    ("changes", "changes: {'*': {baseline: {absolute: 1}, optional: true}}"),
    ("steps", "steps: {'*': {most: 1, optional: true}}"),
    ("axes", "axes: {rising: strictly}"),
    ("identity", "identity: {means: [vin]}"),
])  # fmt: skip
def test_without_a_definition_nothing_can_be_told(rule: str, policy: str) -> None:
    shop = Shop(read_by=None)
    assert shop.ask(rule, policy, shop.revision(shop.baseline(), WARMER)).outcome == "refused"


def test_many_images_are_looked_at_by_their_differences() -> None:
    """The second image is compared with the first of its definition: both answers must be the ones it gets alone."""
    shop = Shop()
    stock = shop.baseline()
    images = [
        WARMER,
        changed({0x44: bytes([171])}),
        STOCK[:-1] + b"\x01",
        changed({0x58: b"\x63"}),
        changed({0x43: b"\x05"}),
    ]
    policy = "limits: {'*': {definition: true, words: passed over}, lamp: {high: 60}}\naxes: {rising: strictly}"
    revisions = [shop.revision(stock, data, day=2) for data in images]
    for order in (revisions, revisions[::-1]):
        bench = shop.case(policy, revisions[0]).bench
        for revision in order:
            image, alone = shop.images[revision.entry.hash], shop.case(policy, revision).bench
            for rule, wrong in (("limits", (revisions[1], revisions[3])), ("axes", (revisions[4],))):
                found = bench.scans.refusals(image, rule)
                assert found == alone.scans.refusals(image, rule)
                assert bool(found) is (revision in wrong)


# ----------------------------------------------------------------------------------------------------------- changes


@pytest.mark.parametrize(
    ("most", "held"),
    [
        ("absolute: 0.5", True),  # 10 to 10.5
        ("absolute: 0.499", False),
        ("percent: 5", True),  # exactly
        ("percent: 4.99", False),
        ("absolute: 0.5, percent: 5", True),
        ("absolute: 0.5, percent: 4", False),
        ("absolute: 0.4, percent: 5", False),
        ("absolute: 0", False),
    ],
)
def test_largest_change(most: str, *, held: bool) -> None:
    outcome = ask("changes", f"changes: {{spark: {{baseline: {{{most}}}}}}}", WARMER)
    assert (outcome.outcome == "held") is held, told(outcome)


def test_what_is_told_of_a_change() -> None:
    (refusal,) = ask("changes", "changes: {spark: {baseline: {absolute: 0.25}}}", WARMER).refusals
    assert refusal.text == "1 cell of table spark changed too much against the baseline"
    assert refusal.found == "from 10 to 10.5 degCA, by +0.5 or +5 % at index [0, 0]"
    assert (refusal.wanted, refusal.address) == ("at most 0.25 degCA", 0x44)


def test_exactly_at_the_limit_in_tenths() -> None:
    """Neither 10.3 nor 0.3 is a double: 10.3 less 10 comes out above 0.3 in doubles, and is 0.3."""
    data = changed({0x50: (103).to_bytes(2, "big")})
    assert 10.3 - 10 > 0.3
    assert ask("changes", "changes: {fuel: {baseline: {absolute: 0.3}}}", data).outcome == "held"
    assert ask("changes", "changes: {fuel: {baseline: {absolute: 0.29999999999999999999}}}", data).outcome == "refused"
    assert ask("changes", "changes: {fuel: {baseline: {percent: 3}}}", data).outcome == "held"
    assert ask("changes", "changes: {fuel: {baseline: {percent: 2.99999999999999999999}}}", data).outcome == "refused"


def test_from_nothing_no_percentage_is_small_enough() -> None:
    shop = Shop()
    stock = shop.baseline(changed({0x58: b"\x00"}))
    revision = shop.revision(stock, changed({0x58: b"\x01"}))
    assert shop.ask("changes", "changes: {lamp: {baseline: {percent: 1e9}}}", revision).outcome == "refused"


def test_against_the_parent_and_against_the_baseline() -> None:
    once, twice = changed({0x58: b"\x32", 0x44: bytes([102])}), changed({0x44: bytes([104])})
    parent, baseline = "changes: {spark: {parent: {absolute: 1}}}", "changes: {spark: {baseline: {absolute: 1}}}"
    assert ask("changes", parent, twice, parent=once).outcome == "held"
    assert ask("changes", baseline, twice, parent=once).outcome == "refused"
    assert ask("changes", parent, once, parent=changed({0x44: bytes([110])})).outcome == "refused"


@pytest.mark.parametrize(
    ("most", "held"),
    [("absolute: 0.75", True), ("absolute: 0.74", False), ("percent: 5.8", True), ("percent: 5.7", False)],
)
def test_where_an_axis_moved_the_same_operating_point_counts(most: str, *, held: bool) -> None:
    """No cell differs. At 4000 rpm it was 13 degCA; 40 went to 70, so it is 12 + 10/40 now: 0.75 less, or 5.77 %.

    In the second row 18 went to 17.25: 4.2 %.
    """
    outcome = ask("changes", f"changes: {{spark: {{baseline: {{{most}}}}}}}", changed({0x43: bytes([70])}))
    assert (outcome.outcome == "held") is held, told(outcome)
    if not held:
        assert "at the same operating point" in told(outcome)


def test_flags_are_no_numbers() -> None:
    data = changed({0x59: b"\x02"})
    assert ask("changes", "changes: {'*': {baseline: {absolute: 9}}}", data).outcome == "refused"
    assert ask("changes", "changes: {'*': {baseline: {absolute: 9}, words: passed over}}", data).outcome == "held"
    assert ask("changes", "changes: {'*': {baseline: {absolute: 9}}}", WARMER).outcome == "held"


def test_no_number_is_a_change_that_cannot_be_measured() -> None:
    data = changed({0x60: struct.pack(">f", float("nan"))})
    assert ask("changes", "changes: {curved: {baseline: {absolute: 1e300}}}", data).outcome == "refused"


def test_a_table_that_cannot_be_compared_is_refused() -> None:
    outcome = ask("changes", "changes: {curved: {baseline: {absolute: 1}}}", STOCK[:0x62])
    assert "cannot be compared with the baseline" in told(outcome)


# ------------------------------------------------------------------------------------------------------------- steps


@pytest.mark.parametrize(
    ("step", "held"),
    [
        ("most: 5", True),  # 1 along x, 5 along y
        ("most: 4.9", False),
        ("most: 1, along: x", True),
        ("most: 0.9, along: x", False),
        ("most: 4.9, along: y", False),
        ("most: 0, along: z", True),
    ],
)
def test_steps(step: str, *, held: bool) -> None:
    data = changed({0x58: b"\x33"})
    outcome = ask("steps", f"steps: {{spark: {{{step}}}}}", data)
    assert (outcome.outcome == "held") is held, told(outcome)


def test_steps_at_changed_cells_only() -> None:
    policy = "steps: {spark: {most: 0.9, along: x, cells: changed}}"
    assert ask("steps", policy, changed({0x58: b"\x33"})).outcome == "held"
    # from 10.5 to 11 is 0.5; but the cell after it still stands as in the stock
    assert ask("steps", policy, WARMER).outcome == "held"
    assert ask("steps", policy, changed({0x45: b"\x65"})).outcome == "refused"  # 10.5, then 12
    (refusal,) = ask("steps", policy, changed({0x45: b"\x65"})).refusals
    assert refusal.found == "12 degCA at index [0, 2]"


# -------------------------------------------------------------------------------------------------------------- axes


@pytest.mark.parametrize(("points", "held"), [
    (bytes([10, 20, 30, 41]), True), (bytes([10, 20, 20, 41]), False), (bytes([40, 30, 20, 10]), False),
])  # fmt: skip
def test_axes_rise_strictly(points: bytes, *, held: bool) -> None:
    outcome = ask("axes", "axes: {rising: strictly}", changed({0x40: points}))
    assert (outcome.outcome == "held") is held
    assert ask("axes", "", changed({0x40: points})).outcome == "not asked"


# ---------------------------------------------------------------------------------------------------------- identity

ALL = "identity: {fields: ['*'], means: [vin, hardware-number, software-version]}"


def test_the_same_identity() -> None:
    assert ask("identity", ALL, WARMER).outcome == "held"
    assert ask("identity", "", WARMER).outcome == "not asked"


@pytest.mark.parametrize(
    ("at", "piece", "field"),
    [(0x08, b"1.01", "software"), (0x0D, b"\x00", "hardware"), (0x20, b"8", "vin"), (0x23, b"\x27", "made")],
)
def test_another_identity(at: int, piece: bytes, field: str) -> None:
    outcome = ask("identity", ALL, changed({at: piece}))
    assert [r.text for r in outcome.refusals] == [f"identity field {field} is not the baseline's"]
    meanings = ask("identity", "identity: {means: [vin, hardware-number, software-version]}", changed({at: piece}))
    assert (meanings.outcome == "held") is (field == "made")


def test_a_personal_field_is_shortened() -> None:
    outcome = ask("identity", ALL, changed({0x20: b"8"}))
    assert "00TINY" not in told(outcome)
    assert "*************0018" in told(outcome)


def test_an_identity_that_says_nothing_is_refused() -> None:
    erased = changed({0x10: b"\xff" * 17})
    shop = Shop()
    revision = shop.revision(shop.baseline(erased), changed({0x44: b"\x65"}, erased))
    assert "says nothing" in told(shop.ask("identity", "identity: {means: [vin]}", revision))
    assert shop.ask("identity", "identity: {fields: [vin]}", revision).outcome == "held"
    assert ask("identity", "identity: {means: [cvn]}", WARMER).outcome == "refused"
    assert ask("identity", "identity: {fields: [nothing_*]}", WARMER).outcome == "held"


def test_the_identity_is_read_from_the_baselines_image_not_from_what_was_recorded_of_it() -> None:
    shop = Shop()
    stock = shop.baseline()
    revision = shop.revision(stock, WARMER)
    shop.images[stock.entry.hash] = shop.read(changed({0x20: b"8"}))
    assert shop.ask("identity", ALL, revision).outcome == "refused"


def test_an_identity_region_stays_as_a_whole() -> None:
    outcome = ask("identity", ALL, changed({0x2A: b"\x01"}))
    assert [r.address for r in outcome.refusals] == [0x2A]
    # a field that is not asked for may differ, and what is around it not
    means = "identity: {means: [vin]}"
    assert ask("identity", means, changed({0x23: b"\x27"})).outcome == "held"
    assert ask("identity", means, changed({0x24: b"\x27"})).outcome == "refused"
