"""Messages as they stand in a design file: shape by their keys, meaning by the payload, paths for both."""

import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from lowpanbudget.design.messages import MessageShape, to_message, to_messages
from lowpanbudget.design.table import json_schema
from lowpanbudget.design.takes import ShapeFlaw, ValuePlace
from lowpanbudget.payload.codec.nodes import CASES
from lowpanbudget.payload.flaws import FlawedMessage
from lowpanbudget.payload.message import Message

HEAD = 'name = "m"\nbyte_order = "big"\nbit_order = "msb-first"\nlayout = "bit-packed"\n'
FILES = Path(__file__).parent.parent / "payload"


def read(data: dict[str, Any]) -> tuple[MessageShape, list[ShapeFlaw]]:
    flaws: list[ShapeFlaw] = []
    return MessageShape.read(data, ValuePlace((), flaws)), flaws


def right(data: dict[str, Any]) -> MessageShape:
    message, flaws = read(data)
    assert not flaws
    return message


def shape(text: str) -> MessageShape:
    return right(tomllib.loads(text, parse_float=Decimal))


def shape_flaws(text: str) -> dict[tuple[str | int, ...], str]:
    _, flaws = read(tomllib.loads(text, parse_float=Decimal))
    return {found.flaw.path: f"{found.flaw.message} {found.flaw.hint}" for found in flaws}


def from_file(name: str) -> dict[str, Message]:
    data = tomllib.loads((FILES / name).read_text(encoding="utf-8"), parse_float=Decimal)
    messages, flaws = to_messages([right(part) for part in data["message"]])
    assert not flaws
    return {message.name: message for message in messages}


@pytest.mark.parametrize("name", ["footbridge_messages.toml", "archive_messages.toml"])
def test_the_examples_pack_and_come_back(name: str) -> None:
    for message in from_file(name).values():
        for case in CASES:
            values = message.example(case)
            octets = message.pack(values)
            assert message.unpack(octets) == values
            assert sum(entry.bits for entry in message.bitmap(case)) == 8 * len(octets)


def test_sizes_of_the_footbridge() -> None:
    messages = from_file("footbridge_messages.toml")
    assert messages["snapshot"].max_octets == 1152  # 256 samples x 3 axes x 12 bits
    # 4+2+2+8+32 bits of head, strain 16, tilt 2x15 (30001 values), temperature 14, 18 octets: 252 bits
    assert messages["features"].max_bits == 252
    assert messages["features"].max_octets == 32
    assert messages["command"].max_octets == 10  # magic 1, order 1, interval 3, length 1, token 4


def test_values_of_the_archive() -> None:
    messages = from_file("archive_messages.toml")
    climate = messages["climate"]
    octets = climate.pack(
        {
            "sequence": 7,
            "temperature": -18.25,
            "humidity": 41.5,
            "co2": "over",
            "doors": ["vault"],
            "battery": 87.5,
        }
    )
    # presence: co2 is the first bit; version 2; 7; -1825 = 0xf8df; 4150 = 0x1036; 0xfffe; third flag; 175
    assert octets.hex() == "01020700dff83610feff04af"
    # light after 9 bits of head is put at bit 16
    assert [entry.name for entry in messages["door_alarm"].bitmap() if entry.offset == 16] == [
        "light"
    ]


def test_decimals_are_read_from_their_text() -> None:
    text = HEAD + '[[field]]\nkind = "number"\nname = "n"\nmin = 0.1\nmax = 0.3\nstep = 0.1\n'
    message = to_message(shape(text))
    assert message.max_bits == 2
    assert message.unpack(message.pack({"n": 0.3})) == {"n": Decimal("0.3")}
    # also where the file was read without parse_float
    assert to_message(right(tomllib.loads(text))) == message


def test_faults_of_meaning_carry_the_keys_of_the_file() -> None:
    text = (
        HEAD
        + """
[[field]]
kind = "array"
name = "reading"
max_length = 9
[field.element]
kind = "group"
[[field.element.field]]
kind = "number"
name = "t"
min = 0
max = 10
step = 3
[[field]]
kind = "enumeration"
name = "what"
names = ["a", "b"]
[[field]]
kind = "union"
name = "u"
tag = "what"
[[field.option]]
when = "a"
[[field.option.field]]
kind = "flags"
name = "f"
names = []
[[field.option]]
when = "b"
"""
    )
    with pytest.raises(FlawedMessage) as caught:
        to_message(shape(text))
    assert [flaw.path for flaw in caught.value.flaws] == [
        ("field", 0, "element", "field", 0, "step"),
        ("field", 2, "option", 0, "field", 0, "names"),
    ]
    messages, flaws = to_messages([shape(text), shape(text)])
    assert not messages
    assert flaws[2].path == ("message", 1, "name")
    assert flaws[0].path == ("message", 0, "field", 0, "element", "field", 0, "step")


@pytest.mark.parametrize(
    ("field", "place", "words"),
    [
        ('kind = "nummer"', ("field", 0, "kind"), "number"),
        ('kind = "number"\nname = "n"\nmin = 0', ("field", 0, "max"), "missing"),
        (
            'kind = "number"\nmin = 0\nmax = "9"',
            ("field", 0, "max"),
            "a number is wanted",
        ),
        (
            'kind = "number"\nmin = true\nmax = 9',
            ("field", 0, "min"),
            "a number is wanted",
        ),
        ('kind = "boolean"\nname = "b"\nbit = 3', ("field", 0, "bit"), "no such key"),
        ('kind = "reserved"\nbits = true', ("field", 0, "bits"), "whole number"),
        ('kind = "float"\nname = "f"\nbits = 24', ("field", 0, "bits"), "16, 32 or 64"),
        (
            'kind = "array"\nname = "a"\n[field.element]\nkind = "x"',
            ("field", 0, "element", "kind"),
            "array",
        ),
    ],
)
def test_faults_of_shape_have_a_place(field: str, place: tuple[Any, ...], words: str) -> None:
    assert words in shape_flaws(HEAD + "[[field]]\n" + field)[place]


@pytest.mark.parametrize("key", ["byte_order", "bit_order", "layout", "name"])
def test_orders_are_never_assumed(key: str) -> None:
    lines = [line for line in HEAD.splitlines() if not line.startswith(key)]
    flaws = shape_flaws("\n".join([*lines, "[[field]]", 'kind = "boolean"', 'name = "b"']))
    assert list(flaws) == [(key,)]


def test_every_key_of_the_schema_is_described() -> None:
    schema = json_schema(MessageShape)
    for name, part in schema["$defs"].items():
        for key, value in part["properties"].items():
            assert key == "kind" or "description" in value, (name, key)
    assert schema["$defs"]["NumberShape"]["properties"]["min"]["type"] == "number"
    assert schema["$defs"]["NumberShape"]["properties"]["step"]["default"] == 1
