"""The construct declaration of a message builds and reads the same octets, or fails where we fail."""

from typing import Any

import construct
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from payload.schemas import filled_messages, messages

from lowpanbudget.errors import WireError
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.message import Message


def plain(value: Any) -> Any:
    """Return a container as a dictionary of what is there."""
    if isinstance(value, dict):
        return {
            key: plain(part)
            for key, part in value.items()
            if part is not None and not str(key).startswith("_")
        }
    return [plain(part) for part in value] if isinstance(value, list) else value


@settings(max_examples=120)
@given(filled_messages())
def test_same_octets(filled: tuple[Message, dict[str, Any]]) -> None:
    message, values = filled
    form, octets = message.to_construct(), message.pack(values)
    assert form.build(values) == octets
    assert plain(form.parse(octets)) == values


@pytest.mark.long
@settings(max_examples=80)
@given(messages(), st.binary(max_size=60))
def test_same_verdict_on_any_octets(message: Message, octets: bytes) -> None:
    form = message.to_construct()
    try:
        values = message.unpack(octets, ignore_tail=True)
    except WireError:
        with pytest.raises(construct.ConstructError):
            form.parse(octets)
    else:
        assert repr(plain(form.parse(octets))) == repr(
            values
        )  # as text: NaN is not equal to itself


def test_errors_are_those_of_construct() -> None:
    message = Message(
        "m", (Boolean("b"), Time("t")), byte_order="big", bit_order="msb-first", layout="bit-packed"
    )
    form = message.to_construct()
    assert form.sizeof() == 5
    with pytest.raises(construct.ValidationError, match=r"(?s)building\) -> t.*outside 0"):
        form.build({"b": True, "t": -1})
    with pytest.raises(construct.StreamError):
        form.parse(b"")
