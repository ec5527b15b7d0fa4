"""Knobs: each gain is the difference of two frames; none that weakens protection is advice."""

from collections.abc import Iterator
from functools import cache

import pytest
from design.designs import EXAMPLES
from findings.cases_planning import store
from hypothesis import given, settings
from room.random_paths import random_designs

from lowpanbudget import budget
from lowpanbudget.design.application import Application, Dtls
from lowpanbudget.design.application_knobs import application_knobs
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.knob import Knob
from lowpanbudget.design.knobs import knobs, turned
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.internet.dtls.suites import SUITES, DtlsSuite
from lowpanbudget.layers.link.auxiliary import LEVELS
from lowpanbudget.room.compute import Budget
from lowpanbudget.room.knobs import Turning
from lowpanbudget.room.measure import room_of
from lowpanbudget.room.savings import Saving

TEXTS = {
    name: (EXAMPLES / f"{name}.toml").read_text(encoding="utf-8")
    for name in ("archive", "footbridge")
}
CAPPED = 300  # octets: rooms beyond are ended by the MTU rather than by a frame


def budgets(text: str, flow: str | None = None) -> dict[tuple[str, str], Budget]:
    return {(found.flow, found.hop): found for found in budget(parse_design(text), flow)}


@cache
def unchanged(name: str) -> dict[tuple[str, str], Budget]:
    """Return the budgets of an example: half a second of work, which collecting the tests need not do."""
    return budgets(TEXTS[name])


EXAMPLE = {name: parse_design(text) for name, text in TEXTS.items()}


def protection(path: FlowPath) -> tuple[bool, int, bool, int]:
    """Return what protects a path: encryption, integrity code, a checksum carried, end-to-end tag."""
    security = path.link.security
    level = LEVELS[0] if security is None else security.protection
    record = path.flow.application.dtls
    tag = 0 if record is None else record.suite.aead.tag
    return level.encrypted, level.mic, not path.flow.elide_udp_checksum, tag


def assert_measured(path: FlowPath, saving: Saving) -> None:
    """The same payload in two frames, built without and with the change: the difference is the gain."""
    assert saving.path is not None
    (before,), (after,) = path.frames(b""), saving.path.frames(b"")
    assert len(before.octets) - len(after.octets) == saving.gain


def assert_harmless(path: FlowPath, saving: Saving) -> None:
    assert saving.path is not None
    was, then = protection(path), protection(saving.path)
    if not saving.caution:
        assert all(new >= old for old, new in zip(was, then, strict=True)), saving
    if any(new < old for old, new in zip(was, then, strict=True)):
        assert len(saving.caution) > 20
        assert not saving.stronger
    if saving.stronger:
        assert saving.gain <= 0
        assert any(new > old for old, new in zip(was, then, strict=True))


@pytest.mark.parametrize("name", TEXTS)
def test_gains_are_differences_of_frames_and_weaken_nothing(name: str) -> None:
    for found in unchanged(name).values():
        for saving in (*found.savings, *found.weaker, *found.stronger):
            assert_measured(found.path, saving)
            assert_harmless(found.path, saving)
            assert saving.text
            assert saving.cite
        assert [s.gain for s in found.savings] == sorted(
            (s.gain for s in found.savings), reverse=True
        )
        assert all(s.gain > 0 and not s.caution for s in found.savings)
        assert all(s.gain > 0 and s.caution for s in found.weaker)
        assert all(s.gain <= 0 and s.stronger for s in found.stronger)


@settings(max_examples=60)
@given(random_designs())
def test_random_designs(drawn: tuple[Design, FlowPath]) -> None:
    design, path = drawn
    room = room_of(path)
    for saving in Turning(design).all(path):
        assert_harmless(path, saving)
        if room < CAPPED:
            assert_measured(path, saving)


# the change made in the file: name, old text, new text, flow, hop, the knob's text, its list, the gain by hand
IN_THE_FILE = [
    ("footbridge", 'pan_ids = "one"', 'pan_ids = "none"', "features", "first", "no PAN ID", "savings", 2),
    ("footbridge", "slotted = true", 'slotted = true\nsequence_number = "suppressed"', "command", "first",
     "no sequence number", "savings", 1),
    ("footbridge", "key_id_mode = 1", "key_id_mode = 0", "time", "first", "key id mode 0", "savings", 1),
    # a context for the office: an elided address saves 16, its context octet costs 1 (RFC 6282 section 3.1.2)
    ("footbridge", "[[context]]\nid = 0",
     '[[context]]\nid = 1\nprefix = "2001:db8:f00d:2::10/128"\n[[context]]\nid = 0',
     "snapshot", "first", "a context for the destination's whole address", "savings", 15),
    ("footbridge", "[[context]]\nid = 0",
     '[[context]]\nid = 1\nprefix = "2001:db8:f00d:2::/64"\n[[context]]\nid = 0',
     "snapshot", "forwarded", "a context for the destination's prefix", "savings", 7),
    # ports 0xf0b1 and 7005 take 3 octets, two of 0xf0bX one (RFC 6282 section 4.3.3)
    ("footbridge", "destination_port = 7005", "destination_port = 0xf0bf", "snapshot", "first", "both ports", "savings",
     2),
    ("archive", "source_port = 61000\ndestination_port = 7004", "source_port = 0xf0b9\ndestination_port = 0xf0b9",
     "alarm", "forwarded", "both ports", "savings", 3),
    ("archive", "hop_limit = 32", "hop_limit = 64", "alarm", "first", "hop limit 64", "savings", 1),
    ("archive", "level = 6", "level = 5", "climate", "first", "level 5", "weaker", 4),
    ("archive", "level = 6", "level = 7", "climate", "forwarded", "level 7", "stronger", -8),
    ("archive", 'name = "settings"', 'name = "settings"\nudp_checksum = "elided"', "settings", "first",
     "the UDP checksum elided", "weaker", 2),
]  # fmt: skip


@pytest.mark.parametrize("row", IN_THE_FILE, ids=[f"{row[0]}-{row[5]}" for row in IN_THE_FILE])
def test_the_same_change_in_the_file(row: tuple[str, str, str, str, str, str, str, int]) -> None:
    name, old, new, flow, hop, knob, kind, gain = row
    before = unchanged(name)[flow, hop]
    (saving,) = (saving for saving in getattr(before, kind) if saving.text.startswith(knob))
    assert TEXTS[name].count(old) == 1
    (after,) = (
        found
        for found in budget(parse_design(TEXTS[name].replace(old, new)), flow)
        if found.hop == hop
    )
    assert saving.gain == after.room - before.room == gain


def test_short_addresses_in_the_file() -> None:
    text = TEXTS["footbridge"].replace('addresses = "extended"', 'addresses = "short"')
    for number, name in (("17", "node"), ("1", "collector")):
        old = f'name = "{name}"\nrole'
        assert old in text
        text = text.replace(old, f'name = "{name}"\nshort = 0x00{number:0>2}\nrole')
    after = budgets(text)
    for key, before in unchanged("footbridge").items():
        (saving,) = (saving for saving in before.savings if saving.knob == "link.addresses")
        assert saving.gain == after[key].room - before.room
    # two link addresses 8 -> 2 and the destination identifier 8 -> 2: 18 (RFC 6282 section 3.1.1)
    assert after["features", "first"].room - unchanged("footbridge")["features", "first"].room == 18


def test_traffic_class_and_flow_label() -> None:
    text = TEXTS["archive"].replace(
        'name = "climate"\nsource', 'name = "climate"\ntraffic_class = 184\nsource'
    )
    (saving,) = (
        s for s in budgets(text, "climate")["climate", "first"].savings if "traffic_class" in s.knob
    )
    assert saving.gain == 1  # TF=10 carries ECN and DSCP in one octet (RFC 6282 section 3.1.1)
    text = text.replace("traffic_class = 184", "traffic_class = 184\nflow_label = 9")
    (saving,) = (
        s for s in budgets(text, "climate")["climate", "first"].savings if "traffic_class" in s.knob
    )
    assert saving.gain == 4  # TF=00


def test_context_numbers() -> None:
    text = TEXTS["footbridge"].replace("[[context]]\nid = 0", "[[context]]\nid = 5")
    found = budgets(text, "features")["features", "first"]
    (saving,) = (s for s in found.savings if s.knob == "context 5")
    assert (
        saving.gain == 1
    )  # "If the CID flag is 1 ... an additional 8-bit Context Identifier Extension"
    text = TEXTS["footbridge"].replace(
        'id = 0\nprefix = "2001:db8:51:7::/64"',
        'id = 0\nprefix = "2001:db8:51:7::/64"\nmay_compress = false',
    )
    found = budgets(text, "features")["features", "first"]
    (saving,) = (s for s in found.savings if s.text.endswith("allowed for compression"))
    assert saving.gain == unchanged("footbridge")["features", "first"].room - found.room
    assert saving.condition


def test_identifiers_from_the_link_address() -> None:
    text = TEXTS["archive"].replace("short = 0x0104\n", 'short = 0x0104\nidentifier = "extended"\n')
    before, after = budgets(text, "climate"), unchanged("archive")
    for key in (("climate", "first"), ("climate", "forwarded")):
        (saving,) = (s for s in before[key].savings if s.knob == "station.identifier")
        assert saving.gain == after[key].room - before[key].room
    whole = TEXTS["archive"].replace(
        'extended = "02:5e:20:00:00:00:01:04"\nprefix = "2001:db8:a2c4::/64"',
        'address = "2001:db8:a2c4::1234:5678:9abc:def0"',
    )
    found = budgets(whole, "climate")["climate", "first"]
    (saving,) = (s for s in found.weaker if s.knob == "station.identifier")
    assert "RFC 8065" in saving.caution
    assert not [s for s in found.savings if s.knob == "station.identifier"]


def test_an_open_network_is_told_what_protection_takes() -> None:
    start = TEXTS["archive"].index("[link.security]")
    text = TEXTS["archive"][:start] + TEXTS["archive"][TEXTS["archive"].index("[network]") :]
    found = budgets(text, "climate")["climate", "first"]
    # level 5 with an auxiliary header of 6 (control, counter, key index) and a MIC of 4
    gains = {saving.text.split(":")[0]: saving.gain for saving in found.stronger}
    assert gains["level 5"] == -10
    assert gains["level 7"] == -22
    assert "not secured" in found.cautions[0]
    assert not [saving for saving in found.savings if "security" in saving.knob]


def test_encryption_at_no_cost_is_shown() -> None:
    found = budgets(TEXTS["archive"].replace("level = 6", "level = 2"))["climate", "first"]
    link = [s for s in found.stronger if s.knob == "link.security.level"]
    assert {s.text.split(":")[0]: s.gain for s in link} == {
        "level 6": 0,
        "level 3": -8,
        "level 7": -8,
    }
    assert [s.text.split(":")[0] for s in found.weaker if s.knob == "link.security.level"] == [
        "level 1"
    ]
    assert "does not encrypt" in found.cautions[0]


def test_encryption_without_integrity_code() -> None:
    found = budgets(TEXTS["archive"].replace("level = 6", "level = 4"))["climate", "first"]
    assert "without integrity code" in found.cautions[0]
    link = [s for s in found.stronger if s.knob == "link.security.level"]
    assert {s.gain for s in link} == {-4, -8, -16}


def test_what_protection_from_end_to_end_takes_is_told_where_nothing_does() -> None:
    """Of UDP DTLS, of CoAP OSCORE as well; not where either is, nor to a group (RFC 7252 section 8.1).

    DTLS 1.3 (RFC 9147 section 4): flags 1, number 1, content type 1 and the tag of 16. OSCORE: an option of 6 (head,
    flags, a number of 3 octets, an identifier of 1: RFC 8613 section 6.1), code 1 and marker 1 (section 5.3), and the
    8 octets of the tag of AES-CCM-16-64-128.
    """
    dtls, oscore = ("flow.dtls.suite", -19), ("flow.oscore", -16)
    coap = '[flow.coap]\ncode = "POST"\npath = "r"\n'
    ids = '[flow.oscore]\nsender_id = "01"\nrecipient_id = "02"\n'
    for tables, to, ends in (
        ("", "sink", {dtls}),
        (coap, "sink", {dtls, oscore}),
        (coap + ids, "sink", set()),
        (coap + '[flow.dtls]\nsuite = "TLS_AES_128_CCM_SHA256"\n', "sink", set()),
        (coap, "group", set()),
    ):
        for one in budget(parse_design(store(flow=tables, to=to))):
            assert {(s.knob, s.gain) for s in one.stronger if s.knob.startswith("flow.")} == ends
            assert not any(
                s.elsewhere or s.caution for s in one.stronger if s.id.startswith("flow")
            )


def test_notifications_in_oscore_are_told_with_their_numbers() -> None:
    """RFC 8613 section 4.1.3.5.2: "a Partial IV MUST be included in all notifications", but for the first of them.

    Flags and a number of 3 octets in the option, its head, and inside code 1, an empty Observe 1, marker 1 and tag 8.
    """
    coap = '[flow.coap]\ncode = "2.05"\n'
    for observe, takes in (("", 1 + 1 + 1 + 8), ("observe = 5", 1 + 4 + 1 + 1 + 1 + 8)):
        for one in budget(parse_design(store(flow=coap + observe))):
            assert [s.gain for s in one.stronger if s.knob == "flow.oscore"] == [-takes]


@pytest.mark.parametrize("suite", SUITES.values(), ids=lambda suite: suite.name)
def test_no_suite_is_advised_that_protects_less(suite: DtlsSuite) -> None:
    """What the tables of the standards list has knobs: those of 1.3 (RFC 8446 appendix B.4) have no AES-256 in CCM."""
    knobs = [
        one
        for one in application_knobs(Application(dtls=Dtls(suite)))
        if one.dimension == "dtls.suite"
    ]
    assert any("DTLS 1.3" in one.text for one in knobs) == (suite.version == "1.2")
    for knob in knobs:
        other = SUITES[knob.value].aead
        assert other.key >= suite.aead.key
        # of 1.2 a record has 13 octets of header and up to 8 of a nonce more, of 1.3 no more than 7 and a content type
        assert knob.stronger == (other.tag > suite.aead.tag and "instead of 1.2" not in knob.text)
        assert knob.protects == (other.tag - suite.aead.tag,)
        assert ("no advice" in knob.caution) == (other.tag < suite.aead.tag)


def test_an_elided_checksum_has_its_cautions() -> None:
    text = TEXTS["archive"].replace(
        'name = "settings"', 'name = "settings"\nudp_checksum = "elided"'
    )
    found = budgets(text, "settings")["settings", "first"]
    assert "RFC 6282 section 4.3.2" in found.cautions[0]
    (saving,) = (s for s in found.stronger if s.knob == "flow.udp_checksum")
    assert saving.gain == -2
    bare = budgets(text.replace("level = 6", "level = 0"))["settings", "first"]
    assert any("must drop" in caution for caution in bare.cautions)


def test_no_hop_limit_from_outside_is_promised() -> None:
    text = TEXTS["archive"].replace('name = "settings"', 'name = "settings"\nhop_limit = 77')
    found = budgets(text, "settings")["settings", "first"]
    assert not [s for s in (*found.savings, *found.weaker) if s.knob == "flow.hop_limit"]


def test_two_pans_keep_both_pan_ids() -> None:
    text = TEXTS["archive"].replace('pan_ids = "one"', 'pan_ids = "both"')
    (saving,) = (
        s for s in budgets(text, "climate")["climate", "first"].savings if s.knob == "link.pan_ids"
    )
    assert saving.gain == 2  # a PAN ID has 2 octets
    apart = text.replace("pan_id = 0x2c41", "pan_id = 0x2c41\ndestination_pan_id = 0x2c42")
    found = budgets(apart)["climate", "first"]
    assert found.room == unchanged("archive")["climate", "first"].room - 2
    assert not [s for s in found.savings if s.knob == "link.pan_ids"]


def test_groups_have_their_cautions() -> None:
    found = unchanged("footbridge")["time", "first"]
    assert any("not acknowledged" in caution for caution in found.cautions)
    text = TEXTS["footbridge"].replace('group = "ff03::fc"', 'group = "ff03::fc"\nmost_frames = 2')
    assert any("fragment" in caution for caution in budgets(text, "time")["time", "first"].cautions)
    # what forwards them over several hops has octets of its own
    assert any("MPL" in caution for caution in found.cautions)
    near = text.replace("hops = 12\nsource_port = 0xf0b2", "hops = 1\nsource_port = 0xf0b2")
    told = budgets(near, "time")["time", "first"].cautions
    assert not any("MPL" in caution for caution in told)


def test_a_rank_that_nobody_stated_has_its_caution() -> None:
    """RFC 8138 section 6.3: with K set the last octet of the SenderRank is left out, without both are there."""
    up = 'messages = ["features", "readings"]\nevery_s = 600\n'
    rooms = {}
    for routing in ("rpi = true", "rpi = true\nsender_rank = 768", "rpi = true\nsender_rank = 513"):
        text = TEXTS["footbridge"].replace(up, f"{up}[flow.routing]\n{routing}\n")
        found = budgets(text, "features")["features", "first"]
        rooms[routing] = found.room, any("planned as 512" in told for told in found.cautions)
    (room, told), (stated, other), (less, another) = rooms.values()
    assert (stated, less) == (room, room - 1)
    assert (told, other, another) == (True, False, False)


def shortened(text: str, *names: str) -> str:
    """Return the design with short addresses for all, and these stations' identifiers made from them."""
    for number, name in (("17", "node"), ("01", "collector")):
        own = '\nidentifier = "short"' if name in names else ""
        text = text.replace(
            f'name = "{name}"\nrole', f'name = "{name}"\nshort = 0x00{number}{own}\nrole'
        )
    return text


def test_identifiers_from_short_addresses() -> None:
    for flow, end, name in (
        ("features", "source", "node"),
        ("features", "destination", "collector"),
        ("snapshot", "source", "node"),
    ):
        after = budgets(shortened(TEXTS["footbridge"], name))[flow, "forwarded"]
        before = unchanged("footbridge")[flow, "forwarded"]
        (saving,) = (s for s in before.savings if s.text.startswith(f"the {end}'s identifier"))
        assert saving.id == f"station[{name}].identifier=short"
        # 8 octets become 2 in line (RFC 6282 section 3.1.1, SAM and DAM 10)
        assert saving.gain == after.room - before.room == 6
    first = unchanged("footbridge")["snapshot", "first"]
    later = budgets(shortened(TEXTS["footbridge"], "node"))
    assert later["snapshot", "first"].room == first.room - 2  # elided before, in line now
    assert not [s for s in first.savings if s.knob == "station.identifier"]


# --- changes together: link, identifiers, contexts, the rest ------------------------------------------


def changes(design: Design, flow: str, *ids: str) -> list[Knob[Design]]:
    known = {knob.id: knob for knob in knobs(design, design.flow(flow))}
    return [known[name] for name in ids]


def test_a_context_is_made_for_the_address_that_then_holds() -> None:
    design = parse_design(shortened(TEXTS["footbridge"]))
    short, context = changes(
        design, "features", "link.addresses=short", "station[collector].context=128"
    )
    for together in ((short, context), (context, short)):
        found = budget(turned(design, together), "features")
        # with short addresses the collector's identifier is 0000:00ff:fe00:0001 (RFC 6282 section 3.2.2)
        text = shortened(TEXTS["footbridge"]).replace(
            'addresses = "extended"', 'addresses = "short"'
        )
        text = text.replace(
            "[[context]]\nid = 0",
            '[[context]]\nid = 1\nprefix = "2001:db8:51:7:0:ff:fe00:1/128"\n[[context]]\nid = 0',
        )
        assert [one.room for one in found] == [
            budgets(text, "features")["features", hop].room for hop in ("first", "forwarded")
        ]
        assert [(n, str(c.prefix)) for n, c in found[0].path.contexts.items()][-1] == (
            1,
            "2001:db8:51:7:0:ff:fe00:1/128",
        )


def test_a_prefix_of_both_ends_has_one_context() -> None:
    """One context elides both prefixes, 8 octets each, and a context of number 0 needs no octet (RFC 6282 3.1.1)."""
    text = TEXTS["footbridge"]
    start, end = text.index("[[context]]"), text.index("[[station]]")
    design = parse_design(text[:start] + text[end:])
    offered = [
        knob for knob in knobs(design, design.flow("features")) if knob.id.endswith(".context=64")
    ]
    assert [knob.text for knob in offered] == [
        "a context for the prefix of both ends (2001:db8:51:7::/64)"
    ]
    (whole,) = changes(design, "features", "station[collector].context=128")
    both = turned(design, (*offered, whole))
    assert {str(one.prefix) for one in both.contexts.values()} == {
        "2001:db8:51:7::/64", "2001:db8:51:7:5e:1000:0:1/128",
    }  # fmt: skip


def test_a_change_of_the_link_holds_for_all_flows() -> None:
    design = parse_design(shortened(TEXTS["footbridge"]))
    (short,) = changes(design, "features", "link.addresses=short")
    text = shortened(TEXTS["footbridge"]).replace('addresses = "extended"', 'addresses = "short"')
    assert {(one.flow, one.hop): one.room for one in budget(turned(design, [short]))} == {
        key: one.room for key, one in budgets(text).items()
    }


def test_what_cannot_be_together_is_refused() -> None:
    design = parse_design(shortened(TEXTS["footbridge"]))
    short, none = changes(design, "features", "link.addresses=short", "link.pan_ids=none")
    with pytest.raises(RequestError, match="cannot carry none"):
        turned(design, [short, none])
    level_6, level_7 = changes(design, "features", "link.security.level=6", "link.security.level=7")
    with pytest.raises(RequestError, match=r"link\.security\.level cannot have two values"):
        turned(design, [level_6, level_7])


def test_what_a_change_takes_from_other_flows_is_told() -> None:
    # climate uses contexts 0 and 1 and pays an octet either way; whoever uses context 0 alone pays it after the swap
    # (RFC 6282 section 3.1.1: CID)
    text = TEXTS["archive"]
    before = budgets(text)
    swapped = (
        text.replace("[[context]]\nid = 0", "[[context]]\nid = 9")
        .replace("[[context]]\nid = 1", "[[context]]\nid = 0")
        .replace("[[context]]\nid = 9", "[[context]]\nid = 1")
    )
    after = budgets(swapped)
    design = parse_design(text)
    (swap,) = changes(design, "climate", "context[1].id=0")
    assert {k: one.room for k, one in after.items()} == {
        (one.flow, one.hop): one.room for one in budget(turned(design, [swap]))
    }
    found = before["climate", "first"]
    (saving,) = [s for s in Turning(design).all(found.path) if s.id == "context[1].id=0"]
    assert {(loss.flow, loss.hop): loss.gain for loss in saving.elsewhere} == {
        key: after[key].room - one.room
        for key, one in before.items()
        if key[0] != "climate" and after[key].room < one.room
    }
    assert saving.elsewhere


@pytest.mark.parametrize("name", TEXTS)
def test_every_change_has_a_name_of_its_own(name: str) -> None:
    design = parse_design(TEXTS[name])
    for flow in design.flows:
        ids = [knob.id for knob in knobs(design, flow)]
        assert len(set(ids)) == len(ids)
        assert all(identifier.partition("=")[2] for identifier in ids)
    for found in unchanged(name).values():
        for saving in (*found.savings, *found.weaker, *found.stronger):
            assert "=" in saving.id


def test_the_changes_of_a_flow_are_found_once_for_its_hops(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def counted(design: Design, flow: Flow) -> Iterator[Knob[Design]]:
        asked.append(flow.name)
        yield from knobs(design, flow)

    monkeypatch.setattr("lowpanbudget.room.knobs.knobs", counted)
    design = EXAMPLE["footbridge"]
    assert len(budget(design)) == 2 * len(design.flows)  # each over several hops
    assert asked == [flow.name for flow in design.flows]
