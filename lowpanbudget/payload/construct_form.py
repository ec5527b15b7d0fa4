"""A message as a declaration of the construct library, which reads and builds the same octets.

The layout is stated here a second time, in construct's words and bit by bit; only what a code means
comes from the fields. Only imported when somebody asks for it. An absent optional field is None.
"""

from collections.abc import Callable
from typing import Any

import construct as cs

from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.construct_parts import (
    Contents,
    Offset,
    Samples,
    Stream,
    coded,
    count_form,
    found,
    leaf_form,
)
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.field import Field, Leaf
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Union

_PRESENCE = "_presence"  # no field can have this name


def message_form(fields: tuple[Field, ...], order: Order) -> Any:
    """Return the construct of a message: from octets to a container of values, and back."""
    return Stream(_struct(fields, order), order)


def _struct(fields: tuple[Field, ...], order: Order, bases: dict[str, Codec] | None = None) -> Any:
    """Return the fields of a group; ``bases`` are the codecs of the times that offsets count from."""
    bases = dict(bases or {})
    optional = [field.name for field in fields if field.optional]
    parts = []
    position = order.rounded(len(optional))
    if optional:
        parts.append(_PRESENCE / cs.Rebuild(cs.Bytes(position), _presence_of(optional, position)))
    for field in fields:
        if field.at is not None and field.at > position:
            parts.append(cs.Padding(field.at - position))
            position = field.at
        form = _form(field, order, bases)
        if field.kind == "time":
            assert isinstance(field, Leaf)
            bases[field.name] = field.codec(field.needed(), order)
        if field.optional:
            maybe = cs.If(_is_present(optional.index(field.name)), form)
            maybe.flagbuildnone = True  # else a missing key is a KeyError
            parts.append(field.name / maybe)
            continue
        try:
            position += form.sizeof()
        except cs.SizeofError:
            position += 1 << 32  # from here on nothing can ask for a place
        parts.append(form if field.kind == "reserved" else field.name / form)
    return cs.Struct(*parts)


def _form(field: Field, order: Order, bases: dict[str, Codec]) -> Any:
    if isinstance(field, Group):
        return _struct(field.fields, order, bases)
    if isinstance(field, Array):
        element = _form(field.element, order, bases)
        count = count_form(field.least, field.most, field.count_bits, order)
        return cs.PrefixedArray(count, element) if count else cs.Array(field.least, element)
    if isinstance(field, Union):
        options = {option.when: _struct(option.fields, order, bases) for option in field.options}
        return cs.Switch(lambda context: found(context, field.tag), options)
    if isinstance(field, TimeOffset):
        return Offset(leaf_form(field.number(), order), field, bases[field.base])
    if isinstance(field, Series):
        return Samples(field, order)
    if isinstance(field, Octets):
        octet = coded(8, order)
        count = count_form(field.least, field.most, field.length_bits, order)
        return Contents(
            cs.PrefixedArray(count, octet) if count else cs.Array(field.least, octet), field
        )
    assert isinstance(field, Leaf)
    if field.kind == "reserved":
        return cs.Padding(order.rounded(field.needed()))
    form = leaf_form(field, order)
    return form if field.given else cs.Default(form, field.example("least"))


def _presence_of(names: list[str], width: int) -> Callable[[Any], bytes]:
    """Return what builds presence bits, first field first; whole octets where the layout wants them."""
    return lambda context: bytes(context.get(name) is not None for name in names).ljust(
        width, b"\0"
    )


def _is_present(index: int) -> Callable[[Any], bool]:
    return lambda context: bool(context[_PRESENCE][index])
