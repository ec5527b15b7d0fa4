"""Faults of shape: all at once, each with place, key, what is allowed and a hint; mistyped keys at every depth."""

import zlib

import pytest
from design.designs import SMALL, changed, fault_of, faults_of, place

from lowpanbudget import explain
from lowpanbudget.design.takes import MOST_SHOWN
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.payload.message import Message


def test_the_small_design_is_right() -> None:
    from lowpanbudget.design.load import parse_design

    assert parse_design(SMALL).title == "A cold store"


# old text, new text, key in the message, what was meant
MISTYPED = [
    ('title = "A cold store"', 'titel = "A cold store"', "titel", "title"),
    ("[link]", "[lnik]", "lnik", "link"),
    ("[network]", "[netwrok]", "netwrok", "network"),
    ("frame_version = 2", "frame_verison = 2", "link.frame_verison", "frame_version"),
    ("frame_version = 2", "Frame-Version = 2", "link.Frame-Version", "frame_version"),
    ("[link.security]", "[link.securty]", "link.securty", "security"),
    ("level = 5", "levle = 5", "link.security.levle", "level"),
    ("[link.security]\nlevel = 5", "security = { levl = 5 }", "link.security.levl", "level"),
    ("[link.security]\nlevel = 5", "security.levl = 5", "link.security.levl", "level"),
    ("mtu = 1280", "mtuu = 1280", "network.mtuu", "mtu"),
    ("\nid = 0", "\nidd = 0", "context[1].idd", "id"),
    ("[[context]]", "[[contexts]]", "contexts", "context"),
    ('role = "outside"', 'rolle = "outside"', "station[4].rolle", "role"),
    ("hops = 3", "hop = 3", "flow[1].hop", "hops"),
    ("hops = 2", "hoplimit = 2", "flow[2].hoplimit", "hop_limit"),
    ('byte_order = "big"', 'byteorder = "big"', "message[1].byteorder", "byte_order"),
    ("step = 0.5", "stepp = 0.5", "message[1].field[1].stepp", "step"),
    ('kind = "number"\nname', 'knd = "number"\nname', "message[1].field[1].knd", "kind"),
    ("max = 9", "maxx = 9", "message[1].field[3].element.maxx", "max"),
    ("max_length = 3", "maxlength = 3", "message[1].field[3].maxlength", "max_length"),
    ('tag = "door"', 'tga = "door"', "message[1].field[4].tga", "tag"),
    ('when = "shut"', 'wen = "shut"', "message[1].field[4].option[1].wen", "when"),
    (
        'name = "locked"',
        'nmae = "locked"',
        "message[1].field[4].option[1].field[1].nmae",
        "name",
    ),
    # "name" is nearer, but stands there already
    ("names = { shut = 0", "namse = { shut = 0", "message[1].field[2].namse", "names"),
    ("step = 0.5", "resolution = 0.5", "message[1].field[1].resolution", "step"),
    ("max = 60", "maximum = 60", "message[1].field[1].maximum", "max"),
    ("step = 0.5", "invalid = 7", "message[1].field[1].invalid", "special"),
    ("step = 0.5", "width = 12", "message[1].field[1].width", "bits"),
    ("max_length = 3", "size = 3", "message[1].field[3].size", "length"),
    ('kind = "number"\nname', 'type = "number"\nname', "message[1].field[1].type", "kind"),
]


@pytest.mark.parametrize(("old", "new", "key", "meant"), MISTYPED, ids=[row[2] for row in MISTYPED])
def test_a_mistyped_key_is_found_and_the_right_one_named(
    old: str, new: str, key: str, meant: str
) -> None:
    text = changed((old, new))
    (fault,) = (fault for fault in faults_of(text) if fault.key == key)
    assert fault.message == "there is no such key"
    assert fault.hint == f"Did you mean {meant}?"
    word = key.rsplit(".", maxsplit=1)[-1]
    line, column = fault.line, fault.column
    assert (
        text.splitlines()[line - 1][column - 1 :]
        .lstrip("[")
        .startswith((word, f"link.{word}", "security."))
    )


def test_a_key_like_no_other_lists_what_is_known() -> None:
    fault = fault_of(changed(("\nid = 0", "\nid = 0\nzzz = 1")))
    assert fault.hint == "Known here: id, prefix, may_compress"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("[network]", "[mesh]\n[network]"),
        ("[network]", "[network]\nmesh_under = true"),
        ("frame_version = 2", 'frame_version = 2\nphy = "mesh-under"'),
    ],
)
def test_what_asks_for_a_mesh_below_ipv6_is_told_the_key_for_it(old: str, new: str) -> None:
    """RFC 4944 section 5.2: such frames carry a mesh header on each hop."""
    fault = fault_of(changed((old, new)))
    assert fault.hint is not None
    assert "mesh_under = true in [flow.routing] (RFC 4944 section 5.2)" in fault.hint
    (word,) = explain("mesh-under")
    assert f"{fault.hint}." in str(word.data)


# old, new, key, mark of the place, a word that the message must have, a word that the hint must have
WRONG = [
    ("pan_id = 0x1a2b", "pan_id = 0x10000", "link.pan_id", "0x10000", "65535", "PAN ID"),
    ("pan_id = 0x1a2b", "pan_id = true", "link.pan_id", "true\nslotted", "whole number, not true", "PAN ID"),
    ("pan_id = 0x1a2b", 'pan_id = "1a2b"', "link.pan_id", '"1a2b"', "whole number", "PAN ID"),
    ("frame_version = 2", "frame_version = true", "link.frame_version", "true\naddr", "whole number", "2015"),
    ("frame_version = 2", "frame_version = 3", "link.frame_version", "3\naddr", "2 at most, not 3", "2015"),
    ("frame_version = 2", "frame_version = 2.0", "link.frame_version", "2.0", "whole number", "2015"),
    ("slotted = true", "slotted = 1", "link.slotted", "1\n\n[link.sec", "true or false, not 1", "TSCH"),
    ('addresses = "extended"', 'addresses = "extnded"', "link.addresses", '"extnded"', "'short' or 'extended'",
     "Did you mean extended?"),
    ("level = 5", "level = 8", "link.security.level", "8\n\n[net", "7 at most, not 8", "level"),
    ("level = 5", 'level = 5\nkey_source = "12"', "link.security.key_source", '"12"', "4 or 8", "Key source"),
    ("mtu = 1280", "mtu = 1279", "network.mtu", "1279", "1280", "MTU"),
    ("mtu = 1280", "mtu = 2048", "network.mtu", "2048", "2047", "MTU"),
    ("\nid = 0", "\nid = 16", "context[1].id", "16\nprefix", "15 at most, not 16", "number"),
    ('id = 0\nprefix = "2001:db8:1::/64"', 'id = 0\nprefix = "2001:db8:1::5/64"', "context[1].prefix",
     '"2001:db8:1::5/64"', "did you mean 2001:db8:1::/64", "prefix"),
    ('id = 0\nprefix = "2001:db8:1::/64"', 'id = 0\nprefix = "2001:db8:1::/129"', "context[1].prefix",
     '"2001:db8:1::/129"', "no IPv6 prefix", "prefix"),
    ('id = 0\nprefix = "2001:db8:1::/64"', 'id = 0\nprefix = "2001:db8:1::"', "context[1].prefix",
     '"2001:db8:1::"', 'write "2001:db8:1::/64", or "2001:db8:1::/128" for one whole address', "prefix"),
    ('id = 0\nprefix = "2001:db8:1::/64"', 'id = 0\nprefix = "10.0.0.0/8"', "context[1].prefix",
     '"10.0.0.0/8"', "no IPv6 prefix", "prefix"),
    ('role = "border"', 'role = "boarder"', "station[3].role", '"boarder"', "'border'", "Did you mean border?"),
    # RFC 6775 section 2: a 6LR is a node that forwards, a 6LBR a router "at the junction" with other networks
    ('role = "border"', 'role = "router"', "station[3].role", '"router"', "'border'",
     "Did you mean node, or border where the mesh meets other networks?"),
    ('role = "border"', 'role = "gateway"', "station[3].role", '"gateway"', "'border'", "Did you mean border?"),
    ('role = "border"', 'role = "host"', "station[3].role", '"host"', "'border'", "a host outside the mesh"),
    # what a code is multiplied by is the step (common practice, no source: LSB, scale factor, gain)
    ("step = 0.5", "scale = 0.5", "message[1].field[1].scale", "scale", "no such key", "Did you mean step?"),
    ("step = 0.5", "gain = 0.5", "message[1].field[1].gain", "gain", "no such key", "Did you mean step?"),
    ("hops = 3", "hops = 3\ninterval = 5", "flow[1].interval", "interval", "no such key", "Did you mean every_s?"),
    # of nothing like it no guess is made
    ("step = 0.5", "spacing = 0.5", "message[1].field[1].spacing", "spacing", "no such key", "Known here: "),
    ('"02:00:00:00:00:00:00:05"', '"02:00:00:00:00:05"', "station[1].extended", '"02:00:00:00:00:05"',
     "8 octets are wanted;", "Extended"),
    # three digits: nobody knows whether one is missing before or behind them, or whether they are decimal
    ('extended = "02:00:00:00:00:00:00:05"', 'short = "103"', "station[1].short", '"103"',
     "has 3 hex digits, and each octet takes two", "Short"),
    # a station has 64 bits for the network
    ('05"\nprefix = "2001:db8:1::/64"', '05"\nprefix = "2001:db8:1:4::/48"', "station[1].prefix",
     '"2001:db8:1:4::/48"', "did you mean 2001:db8:1:4::/64?", "A /64 prefix"),
    ('"02:00:00:00:00:00:00:05"', '"0g"', "station[1].extended", '"0g"', "no hex text", "Extended"),
    ('"02:00:00:00:00:00:00:05"', "5", "station[1].extended", "5\nprefix", "hex text", "Extended"),
    ('"2001:db8:2::9"', '"2001:db8:2::9/64"', "station[4].address", '"2001:db8:2::9/64"', "no IPv6 address",
     "IPv6 address"),
    ('"2001:db8:2::9"', '"192.0.2.1"', "station[4].address", '"192.0.2.1"', "no IPv6 address", "IPv6 address"),
    ("hops = 3", "hops = 0", "flow[1].hops", "0\nsource_port", "1 or more, not 0", "hops"),
    ("hops = 3", "hops = 3\nsource_prot = 1", "flow[1].source_prot", "source_prot", "no such key",
     "source_port"),
    ("hops = 3", "hops = 3\nhop_limit = 256", "flow[1].hop_limit", "256", "255", "hop limit"),
    ("hops = 3", "hops = 3\nevery_s = 0", "flow[1].every_s", "0\nsource_port", "0.001 or more, not 0", "one frame"),
    ("hops = 3", "hops = 3\nevery_s = 1e-9", "flow[1].every_s", "1e-9", "0.001 or more, not 1E-9", "one frame"),
    ("hops = 3", "hops = 3\nevery_s = 1e300", "flow[1].every_s", "1e300", "31536000 at most, not 1E+300", "a year"),
    ("hops = 3", 'hops = 3\ngroup = "ff0x::1"', "flow[1].group", '"ff0x::1"', "no IPv6 address", "Multicast"),
    ('messages = ["reading"]', 'messages = "reading"', "flow[1].messages", '"reading"\n\n[[flow', "list",
     "messages"),
    ('messages = ["reading"]', "messages = [1]", "flow[1].messages[1]", "1]\n", "text in quotes, not 1", "Names"),
    ('layout = "bit-packed"', 'layout = "packed"', "message[1].layout", '"packed"', "'octet-aligned'",
     "Did you mean bit-packed?"),
    ('kind = "boolean"', 'kind = "bool"', "message[1].field[4].option[1].field[1].kind", '"bool"',
     "no kind 'bool'", "Did you mean boolean?"),
    ('kind = "boolean"', 'kind = "enum"', "message[1].field[4].option[1].field[1].kind", '"enum"',
     "no kind 'enum'", "Did you mean enumeration?"),
    ('kind = "boolean"', 'kind = "bitfield"', "message[1].field[4].option[1].field[1].kind", '"bitfield"',
     "no kind 'bitfield'", "Did you mean flags?"),
    ('kind = "boolean"', 'kind = "uint16_t"', "message[1].field[4].option[1].field[1].kind", '"uint16_t"',
     "no kind 'uint16_t'", "Did you mean number?"),
    ('kind = "boolean"', 'kind = "u8"', "message[1].field[4].option[1].field[1].kind", '"u8"', "no kind 'u8'",
     "Did you mean number?"),
    # a third of its letters are those of "enumeration"
    ('kind = "boolean"', 'kind = "duration"', "message[1].field[4].option[1].field[1].kind", '"duration"',
     "no kind 'duration'", "Did you mean number?"),
    ('kind = "boolean"', 'kind = "counter"', "message[1].field[4].option[1].field[1].kind", '"counter"',
     "no kind 'counter'", "the node counts modulo that"),
    ("[link]", "[link]\nphy = 7", "link.phy", "7  #", "'o-qpsk-2450', ", "The PHY; decides the largest frame"),
    ("[link]", '[link]\nphy = "oqpsk"', "link.phy", '"oqpsk"', "'o-qpsk-2450'",
     "Did you mean o-qpsk-2450, o-qpsk-915 or o-qpsk-868?"),
    ("[link]", '[link]\nphy = "868"', "link.phy", '"868"', "not '868'", "Did you mean o-qpsk-868 or bpsk-868?"),
    ("step = 0.5", 'step = "0.5"', "message[1].field[1].step", '"0.5"', "number is wanted", "resolution"),
    ("step = 0.5", "step = nan", "message[1].field[1].step", "nan", "finite", "resolution"),
    ("step = 0.5", "step = 1e99999999999999999999", "message[1].field[1].step", "1e99999999999999999999",
     "finite", "resolution"),
    ("names = { shut = 0, open = 1 }", "names = 7", "message[1].field[2].names", "7\n\n[[mess",
     "list: [value, ...], not 7, or it should be a table", "codes"),
    ("names = { shut = 0, open = 1 }", 'names = ["shut", 7]', "message[1].field[2].names[2]", "7]\n\n[[mess",
     "should be a text in quotes, not 7", "Write names = [a list]"),
    ("step = 0.5", "step = [0.5]", "message[1].field[1].step", "[0.5]", "a number is wanted, not a list",
     "Write step = a number"),
    ('layout = "bit-packed"', "layout = { a = 1 }", "message[1].layout", "{ a = 1", "not a table",
     'Write layout = "bit-packed"'),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "mark", "message", "hint"), WRONG)
def test_a_wrong_value(old: str, new: str, key: str, mark: str, message: str, hint: str) -> None:
    text = changed((old, new))
    fault = fault_of(text)
    assert fault.key == key
    assert message in fault.message
    assert hint in fault.hint
    assert (fault.line, fault.column) == place(text, mark)


def test_a_port_of_70000() -> None:
    text = changed(("hops = 3\nsource_port = 0xf0b1", "hops = 3\nsource_port = 70000"))
    fault = fault_of(text)
    assert (fault.line, fault.column) == place(text, "70000")
    assert (fault.key, fault.hint) == (
        "flow[1].source_port", "Write source_port = a whole number from 0 to 65535: UDP source port.",
    )  # fmt: skip
    assert fault.message == "should be 65535 at most, not 70000"


def test_all_faults_at_once_in_the_order_of_the_file() -> None:
    text = changed(
        ("title = ", "titel = "),
        ("pan_id = 0x1a2b", "pan_id = -1"),
        ("level = 5", "lvl = 5"),
        ('role = "outside"', "role = 4"),
        ("hops = 3", "hops = 255"),
        ("max = 9", "max = true"),
    )
    faults = faults_of(text)
    assert [fault.key for fault in faults] == [
        "title", "titel", "link.pan_id", "link.security.level", "link.security.lvl", "station[4].role",
        "flow[1].hops", "message[1].field[3].element.max",
    ]  # fmt: skip
    assert [fault.line for fault in faults] == sorted(fault.line for fault in faults)


@pytest.mark.parametrize(
    ("gone", "key", "header"),
    [
        ("pan_id = 0x1a2b\n", "link.pan_id", "[link]  #"),
        ("id = 0\n", "context[1].id", "[[context]]"),
        ("min = -40\n", "message[1].field[1].min", '[[message.field]]\nkind = "number"'),
        ('tag = "door"\n', "message[1].field[4].tag", '[[message.field]]\nkind = "union"'),
        ('kind = "enumeration"\n', "message[1].field[2].kind", '[[message.field]]\nname = "door"'),
        ("min = 0, ", "message[1].field[3].element.min", '{ kind = "number", max'),
    ],
)
def test_a_missing_key_has_the_place_of_its_table(gone: str, key: str, header: str) -> None:
    text = changed((gone, ""))
    fault = fault_of(text)
    assert (fault.key, fault.message) == (key, "this key is missing")
    assert (fault.line, fault.column) == place(text, header)
    assert fault.hint


def test_tables_of_the_wrong_kind() -> None:
    assert "[name]" in fault_of(changed(("[link]  #", "[[link]]  #"))).message
    assert "[[name]]" in fault_of(changed(("[[context]]", "[context]"))).message
    assert "table" in fault_of(changed(("[link.security]\nlevel = 5", "security = 5"))).message


def test_a_long_value_is_cut() -> None:
    for value in ('"' + "x" * 10_000 + '"', "0x" + "f" * 10_000):
        fault = fault_of(changed(("pan_id = 0x1a2b", f"pan_id = {value}")))
        assert len(fault.message) < MOST_SHOWN + 100


def test_what_a_terminal_would_obey_is_escaped() -> None:
    text = changed(("[network]", '[network]\n"\\u001b[31m\\nred" = 1'))
    fault = fault_of(text)
    assert fault.key == "network.\\x1b[31m\\nred"
    text = changed(('destination = "sink"', 'destination = "\\u001b[2J"'))
    assert "\x1b" not in str(fault_of(text))


@pytest.mark.parametrize("kind", ["crc", "CRC16", "crc-32", "checksum", "fcs"])
def test_a_check_over_a_message_is_no_kind_and_what_to_write_instead_is(kind: str) -> None:
    """The UDP checksum is mandatory with IPv6, and where it is elided another check must be there (RFC 6282 4.3.2)."""
    fault = fault_of(changed(('kind = "number"\nname', f'kind = "{kind}"\nname')))
    assert fault.message == f"there is no kind '{kind}'"
    assert "codes of the link and the UDP checksum protect it already" in str(fault.hint)
    assert "octets of a constant length, which the firmware fills" in str(fault.hint)
    (found,) = explain("message-check")
    assert "mandatory with IPv6" in found.text
    # what stands under that name alone is still the code of a frame
    assert explain("crc")[0].term == "frame check sequence (FCS)"


def test_octets_hold_the_check_of_an_existing_format() -> None:
    """The CRC-32 of what stands before it, by zlib (RFC 1952 section 8): four octets that come back as they were."""
    message = Message(
        "old",
        (Sequence("n", bits=16), Octets("check", length=4)),
        byte_order="big",
        bit_order="msb-first",
        layout="octet-aligned",
    )
    body = bytes.fromhex("0102")
    sent = body + zlib.crc32(body).to_bytes(4, "big")
    assert message.pack({"n": 0x0102, "check": sent[2:]}) == sent
    assert message.unpack(sent)["check"] == sent[2:]


def test_where_there_is_none_of_a_kind_the_file_may_be_cut() -> None:
    fault = fault_of(SMALL.partition("[[message]]")[0])
    assert fault.message.startswith("there is no message")
    assert fault.hint == "Messages: none; look whether the file is whole"
