"""Layouts that are no ``Header`` as ``explain`` shows them: numbers and sizes are those of their standards."""

import pytest

from lowpanbudget.fields import Listing
from lowpanbudget.layers import catalogue
from lowpanbudget.layers.internet import icmpv6
from lowpanbudget.layers.internet.nd import options as nd_options
from lowpanbudget.layers.internet.rpl import options as rpl_options
from lowpanbudget.layers.link import contents

FOUND: dict[str, list[Listing]] = {}
for entry in catalogue.entries():
    if isinstance(entry.table, Listing):
        FOUND.setdefault(entry.name, []).append(entry.table)


@pytest.mark.parametrize(
    ("name", "row"),
    [
        # RFC 6775 section 4.2: "Type: 34", 8 bits of context length, C, CID of 4 bits
        ("6LoWPAN context option", ("type", "8 bits", "always 34: 6LoWPAN context")),
        ("6LoWPAN context option", ("context length", "8 bits", "valid bits of the prefix")),
        ("6LoWPAN context option", ("cid", "4 bits", "context id")),
        # RFC 6550 section 6.3.1 and figure 14: a rank of 16 bits; its code 0x01 of section 6 and type 155
        ("DODAG information object", ("type", "8 bits", "always 155")),
        ("DODAG information object", ("code", "8 bits", "always 0x01")),
        ("DODAG information object", ("rank", "16 bits", "of the sender")),
        # RFC 7641 table 1: Observe, 6, uint, 0-3; elective and unsafe as its low bits say
        ("CoAP options", ("6", "Observe", "uint", "0 to 3", "elective", "unsafe", "RFC 7641 §2")),
        # RFC 7252 tables 5 and 6; RFC 8132 section 6 adds to both registries, RFC 7252 section 12.1: 0.00 is in neither
        ("CoAP codes", ("0.03", "PUT", "RFC 7252 §12.1.1")),
        ("CoAP codes", ("4.04", "Not Found", "RFC 7252 §12.1.2")),
        ("CoAP codes", ("4.22", "Unprocessable Entity", "RFC 8132 §6")),
        ("CoAP codes", ("0.00", "Empty", "RFC 7252 §4.1")),
        ("CoAP codes", ("5.08", "Hop Limit Reached", "RFC 8768")),  # from memory
        ("ICMPv6 types", ("128", "echo request")),  # RFC 4443 section 4.1
        # IEEE 802.15.4-2015, from memory
        ("CSL IE", ("id 0x1a", "", "the number that stands before the content")),
        ("association request", ("mains powered", "1 bit", "0: not mains powered; 1: mains powered")),
        ("data request", ("command 0x04", "", "no content")),
    ],
)  # fmt: skip
def test_a_row_as_its_standard_has_it(name: str, row: tuple[str, ...]) -> None:
    assert row in FOUND[name][0].rows


def test_all_messages_options_and_commands_are_listed() -> None:
    names = {kind.name for kind in icmpv6.MESSAGES if not kind.name.startswith("secure")}
    names |= {layout.name for layout in nd_options.OPTIONS.layouts.values()}
    names |= {layout.name for layout in rpl_options.OPTIONS.layouts.values()}
    names |= {contents.COMMANDS.name_of(number) or "" for number in contents.COMMANDS.entries}
    assert names <= FOUND.keys()


@pytest.mark.parametrize("listing", [one for group in FOUND.values() for one in group])
def test_a_listing_can_be_drawn(listing: Listing) -> None:
    assert listing.rows
    assert all(len(row) == len(listing.columns) for row in listing.rows)
    assert str(listing.cite)
