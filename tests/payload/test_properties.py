"""What holds for every format: values come back, octets tile, garbage gives one located error."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from payload.schemas import filled_messages, messages

from lowpanbudget.errors import Truncated, WireError
from lowpanbudget.payload.codec.nodes import CASES
from lowpanbudget.payload.given import rows_of
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.rounding import roundings
from lowpanbudget.report.values_table import csv_of


@settings(max_examples=150)
@given(filled_messages())
def test_values_come_back(filled: tuple[Message, dict[str, Any]]) -> None:
    message, values = filled
    assert message.unpack(message.pack(values)) == values


@settings(max_examples=100)
@given(filled_messages())
def test_a_table_of_values_is_packed_to_the_same_octets(
    filled: tuple[Message, dict[str, Any]],
) -> None:
    """Of what need not be there, what is there and empty is told from what is not."""
    message, values = filled
    table = csv_of(message, [("here", values)])
    (row,) = rows_of(message, table)
    assert row.fault is None, table
    assert row.values is not None
    assert message.pack(row.values) == message.pack(values), table


@settings(max_examples=60)
@given(filled_messages())
def test_entries_tile_the_message(filled: tuple[Message, dict[str, Any]]) -> None:
    message, values = filled
    octets, at = message.pack(values), 0
    for entry in message.bitmap_of(values):
        assert entry.offset == at
        at += entry.bits
    assert at == 8 * len(octets)
    for case in CASES:
        at = 0
        for entry in message.bitmap(case):
            assert entry.offset == at
            at += entry.bits
        assert at == 8 * len(message.pack(message.example(case)))


@settings(max_examples=60)
@given(filled_messages())
def test_sizes_lie_between_the_extremes(filled: tuple[Message, dict[str, Any]]) -> None:
    message, values = filled
    assert message.min_octets <= len(message.pack(values)) <= message.max_octets
    # the bounds of the compiled form, which no packing made, agree with packing the extremes
    assert (message.min_bits, message.max_bits) == (message._root.least, message.widest_bits)
    for example in map(message.example, CASES):
        assert message.unpack(message.pack(example)) == example


@settings(max_examples=60)
@given(filled_messages(), st.data())
def test_short_and_long_octets_are_refused(
    filled: tuple[Message, dict[str, Any]], data: st.DataObject
) -> None:
    message, values = filled
    octets = message.pack(values)
    cut = octets[: data.draw(st.integers(0, len(octets) - 1))]
    with pytest.raises(Truncated) as fault:
        message.unpack(cut)
    assert 0 <= fault.value.offset <= len(cut)
    with pytest.raises(WireError) as long:
        message.unpack(octets + b"\0")
    assert long.value.offset == len(octets)
    assert message.unpack(octets + b"\xff\0", ignore_tail=True) == values


@settings(max_examples=100)
@given(messages(), st.binary(max_size=60))
def test_any_octets_give_values_or_one_located_error(message: Message, octets: bytes) -> None:
    try:
        values = message.unpack(octets, ignore_tail=True)
    except WireError as raised:
        fault = raised
    else:
        again = message.pack(values)
        assert message.pack(message.unpack(again)) == again  # as octets: NaN is not equal to itself
        return
    assert 0 <= fault.offset <= len(octets)
    assert fault.layer == "message random"


@settings(max_examples=40)
@given(filled_messages())
def test_rounding_is_nothing_on_the_grid(filled: tuple[Message, dict[str, Any]]) -> None:
    message, values = filled
    received = message.unpack(message.pack(values))
    assert all(rounding.error == 0 for rounding in roundings(message.fields, values, received))
