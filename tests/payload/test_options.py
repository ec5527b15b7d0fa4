"""The sizes of a message by the options of its unions; sums by hand."""

from decimal import Decimal

import pytest

from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.union import Option, Union
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.options import option_sizes

TAG = Enumeration("what", names=("none", "one", "some"))


def octet(name: str) -> Number:
    return Number(name, min=Decimal(0), max=Decimal(255))


def union(name: str, tag: str = "what") -> Union:
    """Return a union of nothing, an octet, or none to three of them behind their number."""
    options = (
        Option("none", ()),
        Option("one", (octet("n"),)),
        Option("some", (Octets("o", max_length=3),)),
    )
    return Union(name, tag=tag, options=options)


# octet-aligned: tag and number take an octet each
@pytest.mark.parametrize(
    ("fields", "tag", "sizes"),
    [
        ((TAG, union("u")), "what", ((1, 1), (2, 2), (2, 5))),
        # two that it chooses grow together
        ((TAG, union("u"), union("v")), "what", ((1, 1), (3, 3), (3, 9))),
        # of a group, which here may be absent: a message with this tag has it, with an octet of presence bits
        ((Group("g", optional=True, fields=(TAG, union("u"))),), "g.what", ((2, 2), (3, 3), (3, 6))),
        ((TAG, Group("g", fields=(union("u"),))), "what", ((1, 1), (2, 2), (2, 5))),
        # the nearest of its name is the tag, and its own group has an octet more
        ((TAG, Group("g", fields=(TAG, union("u")))), "g.what", ((2, 2), (3, 3), (3, 6))),
    ],
)  # fmt: skip
def test_sizes_by_option(
    fields: tuple[Field, ...], tag: str, sizes: tuple[tuple[int, int], ...]
) -> None:
    made = Message("m", fields, byte_order="big", bit_order="msb-first", layout="octet-aligned")
    assert [tuple(one) for one in option_sizes(made)] == [
        (tag, name, *size) for name, size in zip(TAG.names, sizes, strict=True)
    ]


def test_options_of_what_comes_more_than_once_have_no_size_of_their_own() -> None:
    element = Group("", fields=(TAG, union("u")))
    fields = (octet("n"), Array("a", element=element, max_length=2))
    made = Message("m", fields, byte_order="big", bit_order="msb-first", layout="octet-aligned")
    assert option_sizes(made) == ()
