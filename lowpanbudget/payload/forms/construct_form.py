"""A message as a declaration of the construct library, which reads and builds the same octets.

The layout is stated here a second time, in construct's words and bit by bit; only what a code means
comes from the fields. Only imported when somebody asks for it. An absent optional field is None.
"""

from collections.abc import Callable
from typing import Any

import construct as cs

from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.forms.construct_parts import Stream
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.leaf import Leaf

_PRESENCE = "_presence"  # no field can have this name


def message_form(fields: tuple[Field, ...], order: Order) -> Any:
    """Return the construct of a message: from octets to a container of values, and back."""
    return Stream(structure(fields, order), order)


def structure(
    fields: tuple[Field, ...], order: Order, bases: dict[str, Codec] | None = None
) -> Any:
    """Return the fields of a group; ``bases`` are the codecs of the times that offsets count from."""
    bases = dict(bases or {})
    optional = [field.name for field in fields if field.optional]
    parts: list[Any] = []
    position = order.rounded(len(optional))
    if optional:
        parts.append(_PRESENCE / cs.Rebuild(cs.Bytes(position), _presence_of(optional, position)))
    for field in fields:
        if field.at is not None and field.at > position:
            parts.append(cs.Padding(field.at - position))
            position = field.at
        form = field.construct(order, bases)
        if field.referable and isinstance(field, Leaf):
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
        parts.append(form if not field.carries else field.name / form)
    return cs.Struct(*parts)


def _presence_of(names: list[str], width: int) -> Callable[[Any], bytes]:
    """Return what builds presence bits, first field first; whole octets where the layout wants them."""
    return lambda context: bytes(context.get(name) is not None for name in names).ljust(
        width, b"\0"
    )


def _is_present(index: int) -> Callable[[Any], bool]:
    return lambda context: bool(context[_PRESENCE][index])
