"""Messages: what is packed is unpacked to the same; any octets are values or a located fault."""

from typing import Any

from fuzz.design_files import bases
from fuzz.registry import OUTCOMES, check_fault, check_request, entry, refusal, sampled
from hypothesis import Phase, given, settings
from payload.schemas import filled_messages

from lowpanbudget import Message, RequestError, WireError, parse_design
from lowpanbudget.payload.given import rows_of

MESSAGES = tuple(message for text in bases() for message in parse_design(text).messages)


def same(one: Any, other: Any) -> bool:
    """Return whether values are alike; not a number is like itself."""
    return repr(one) == repr(other) or one == other


def check_octets(message: Message, octets: bytes) -> None:
    """What a receiver reads in any octets, a sender packs so that it is read again."""
    try:
        values = message.unpack(octets, ignore_tail=True)
    except WireError as error:
        check_fault(error, len(octets))
        OUTCOMES[type(error).__name__] += 1
        return
    OUTCOMES["read"] += 1
    try:
        packed = message.pack(values)
    except RequestError as error:
        # a float is read as it came; only a sender is held to its range
        if "outside" not in error.message:
            raise
        OUTCOMES["outside of a float's range"] += 1
        return
    assert message.min_octets <= len(packed) <= message.max_octets
    assert same(message.unpack(packed), values)
    assert message.pack(message.unpack(packed)) == packed


@entry("message unpacked", longest=120)
def any_octets(data: bytes) -> None:
    check_octets(MESSAGES[(data[0] if data else 0) % len(MESSAGES)], data[1:])


@settings(database=None, deadline=None, phases=[Phase.generate])
@given(filled_messages())
def filled(pair: tuple[Message, dict[str, Any]]) -> None:
    message, values = pair
    octets = message.pack(values)
    assert message.min_octets <= len(octets) <= message.max_octets
    back = message.unpack(octets)
    assert message.pack(back) == octets
    check_octets(message, octets)
    for at in range(0, len(octets), 3):
        damaged = bytearray(octets)
        damaged[at] ^= 1 << at % 8
        check_octets(message, bytes(damaged))
    if sampled(octets, 4):
        entries = message.bitmap_of(values)
        assert sum(entry.bits for entry in entries) == 8 * len(octets)
    OUTCOMES["a format"] += 1


@entry("message packed", longest=600, slow_s=2.0, most_mb=16)
def any_schema(data: bytes) -> None:
    """The octets draw a format and values for it."""
    handle: Any = filled
    handle.hypothesis.fuzz_one_input(data)


@entry("values of messages", longest=400)
def any_values(data: bytes) -> None:
    """Any text is rows of values or located faults; what is packed of them is read again as it was given."""
    message = MESSAGES[(data[0] if data else 0) % len(MESSAGES)]
    text = data[1:].decode("utf-8", "replace")
    try:
        for row in rows_of(message, text):
            assert 1 <= row.line <= text.count("\n") + text.count("\r") + 1
            if row.values is None:
                assert row.fault is not None
                check_request(row.fault)
                OUTCOMES[f"a row: {refusal(row.fault)}"] += 1
                continue
            octets = message.pack(row.values)
            assert message.pack(message.unpack(octets)) == octets
            OUTCOMES["packed"] += 1
    except RequestError as error:
        check_request(error)
        OUTCOMES[refusal(error)] += 1
