"""Where layouts coincide, our octets are those of ASN.1 unaligned PER, by an independent library.

Source: asn1tools' ``uper`` codec (ITU-T X.691). The same layout: presence bits lead a sequence,
integers count from their least value, enumerations and choices go by index, bounded lists and octet
strings have their count, less the least, in the fewest bits; flags are a BIT STRING of fixed size.
"""

from decimal import Decimal
from typing import Any

import asn1tools
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.strategies import DrawFn

from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.union import Option, Union
from lowpanbudget.payload.message import Message

NAMES = ("red", "green", "blue", "grey", "black", "white", "pink", "gold", "teal")

Type = dict[
    str, Any
]  # as asn1tools has it once its text is read, which takes longer than all the rest here
Same = tuple[Field, Type, Any, Any]  # our field, its ASN.1 type, our value, asn1tools' value


def size_of(least: int, most: int) -> list[Any]:
    return [(least, most)] if least < most else [least]


def module_of(type_: Type) -> Any:
    """Return a module of one type T, compiled for unaligned PER."""
    module = {"types": {"T": type_}, "values": {}, "imports": {}, "object-classes": {},
              "object-sets": {}, "tags": "AUTOMATIC", "extensibility-implied": False}  # fmt: skip
    return asn1tools.compile_dict({"M": module}, "uper")


@st.composite
def leaves(draw: DrawFn, name: str, *, optional: bool = False) -> Same:
    kind = draw(st.integers(0, 5))
    if kind <= 1:
        low = draw(st.integers(-(2**31), 2**31))
        high = low + draw(st.one_of(st.integers(1, 70), st.integers(1, 2**32)))
        value = draw(st.integers(low, high))
        number = Number(name, min=Decimal(low), max=Decimal(high), optional=optional)
        return number, {"type": "INTEGER", "restricted-to": [(low, high)]}, value, value
    if kind == 2:
        truth = draw(st.booleans())
        return Boolean(name, optional=optional), {"type": "BOOLEAN"}, truth, truth
    if kind == 3:
        names = NAMES[: draw(st.integers(2, len(NAMES)))]
        word = draw(st.sampled_from(names))
        field = Enumeration(name, names=names, optional=optional)
        values = [(name, index) for index, name in enumerate(names)]
        return field, {"type": "ENUMERATED", "values": values}, word, word
    if kind == 4:
        names = NAMES[: draw(st.integers(1, len(NAMES)))]
        chosen = [draw(st.booleans()) for _ in names]
        bits = "".join(str(int(on)) for on in chosen).ljust(16, "0")
        ours = tuple(name for name, on in zip(names, chosen, strict=True) if on)
        theirs = (int(bits, 2).to_bytes(2, "big"), len(names))
        return (
            Flags(name, names=names, optional=optional),
            {"type": "BIT STRING", "size": [len(names)]},
            ours,
            theirs,
        )
    most = draw(st.integers(1, 20))
    least = draw(st.integers(0, most))
    octets = draw(st.binary(min_size=least, max_size=most))
    blob = Octets(name, min_length=least, max_length=most, optional=optional)
    return blob, {"type": "OCTET STRING", "size": size_of(least, most)}, octets, octets


@st.composite
def sequences(draw: DrawFn, depth: int) -> Same:
    fields: list[Field] = []
    members: list[Type] = []
    ours: dict[str, Any] = {}
    theirs: dict[str, Any] = {}
    for index in range(draw(st.integers(1, 6))):
        name = f"m{index}"
        optional = draw(st.integers(0, 3)) == 0
        kind = draw(st.integers(0, 6)) if depth else 9
        mine: Any
        other: Any
        if kind == 0:
            inner, type_, mine, other = draw(sequences(depth - 1))
            assert isinstance(inner, Group)
            field: Field = Group(name, fields=inner.fields, optional=optional)
        elif kind == 1:
            most = draw(st.integers(1, 9))
            least = draw(st.integers(0, most))
            element, of, one, its = draw(leaves(""))
            count = draw(st.integers(least, most))
            type_ = {"type": "SEQUENCE OF", "size": size_of(least, most), "element": of}
            mine, other = [one] * count, [its] * count
            field = Array(
                name, element=element, min_length=least, max_length=most, optional=optional
            )
        elif kind == 2 and not optional:
            # A CHOICE is its index and the alternative: our tag and union.
            parts = [draw(sequences(0)) for _ in range(draw(st.integers(2, 5)))]
            names = NAMES[: len(parts)]
            options = []
            for when, part in zip(names, parts, strict=True):
                assert isinstance(part[0], Group)
                options.append(Option(when, part[0].fields))
            at = draw(st.integers(0, len(parts) - 1))
            fields.append(Enumeration(f"{name}-tag", names=names))
            ours[f"{name}-tag"] = names[at]
            alternatives = [{"name": n, **p[1]} for n, p in zip(names, parts, strict=True)]
            type_ = {"type": "CHOICE", "members": alternatives}
            mine, other = parts[at][2], (names[at], parts[at][3])
            field = Union(name, tag=f"{name}-tag", options=tuple(options))
        else:
            field, type_, mine, other = draw(leaves(name, optional=optional))
        fields.append(field)
        members.append({"name": name, **type_} | ({"optional": True} if optional else {}))
        if not optional or draw(st.booleans()):
            ours[name], theirs[name] = mine, other
    return Group("", fields=tuple(fields)), {"type": "SEQUENCE", "members": members}, ours, theirs


@pytest.mark.long
@settings(max_examples=60)
@given(sequences(2))
def test_octets_are_those_of_uper(same: Same) -> None:
    group, type_, ours, theirs = same
    assert isinstance(group, Group)
    message = Message(
        "same", group.fields, byte_order="big", bit_order="msb-first", layout="bit-packed"
    )
    module = module_of(type_)
    octets = message.pack(ours)
    # X.691 sends an empty message as one zero octet; ours has at least one bit or none to send
    assert (octets or b"\0") == bytes(module.encode("T", theirs))
    assert message.unpack(octets) == ours


@pytest.mark.parametrize(
    ("low", "high"), [(0, 1), (0, 255), (0, 256), (-128, 127), (5, 6), (0, 2**32 - 1), (-1, 65535)]
)
def test_width_of_a_constrained_integer(low: int, high: int) -> None:
    message = Message(
        "one",
        (Number("n", min=Decimal(low), max=Decimal(high)),),
        byte_order="big",
        bit_order="msb-first",
        layout="bit-packed",
    )
    module = module_of({"type": "INTEGER", "restricted-to": [(low, high)]})
    for value in (low, high):
        assert message.pack({"n": value}) == bytes(module.encode("T", value))
