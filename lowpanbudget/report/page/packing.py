"""What a page needs to pack a message: its fields one after the other, and how a value becomes its code.

A page packs messages of numbers in steps, names, flags, truth, constants and octets, some of them absent; what repeats,
and numbers that are not sent in steps, are for the command. The codes of names are those that their codec gives.
"""

from collections.abc import Iterator
from typing import Any

from lowpanbudget.payload.codec.grid import Stepped, special_codes
from lowpanbudget.payload.exact import digits
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.leaf import Leaf
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.message import Message
from lowpanbudget.report import view
from lowpanbudget.report.screen import harmless


def packing(message: Message) -> view.Data | None:
    """Return the fields in order and how their bits lie; None for a message that a page does not pack."""
    order = message.order
    fields = list(_fields(message))
    if None in fields:
        return None
    optional = sum(field.optional for field in message.fields)
    return {
        "msb": order.msb_first,
        "mixed": order.mixed,
        "presence": order.rounded(optional),
        "fields": fields,
    }


def _fields(message: Message) -> Iterator[view.Data | None]:
    order, given = message.order, message.example("typical")
    for field in message.fields:
        told = None
        if isinstance(field, Octets):
            count = order.rounded(field.number_bits())
            told = {"least": field.least, "most": field.most, "count": count, "bits": 0}
        elif isinstance(field, Leaf):
            bits = order.rounded(field.needed())
            codes = _codes(field, bits, order.weights)
            told = None if codes is None else {"bits": bits, "ordered": field.ordered, **codes}
        if told is None or field.at is not None:
            yield None
            return
        yield {
            "name": harmless(field.name), "unit": harmless(getattr(field, "unit", "")), "optional": field.optional,
            "given": _given(given.get(field.name, message.example("greatest").get(field.name))),
            "there": not field.optional or field.name in given, **told,
        }  # fmt: skip


def _codes(field: Leaf, bits: int, weights: Any) -> view.Data | None:
    if not field.carries:
        return {"always": 0}
    if isinstance(field, Constant):
        return {"always": field.value}
    if isinstance(field, Enumeration):
        return {"codes": dict(zip(map(harmless, field.names), field.numbers(), strict=True))}
    if isinstance(field, Boolean):
        return {"codes": {"false": 0, "true": 1}}
    if isinstance(field, Flags):
        return {
            "flags": {
                harmless(name): str(weight) for name, weight in weights(field.names, bits).items()
            }
        }
    number = _stepped(field)
    if number is None:
        return None
    return {
        "base": digits(number.base), "step": digits(number.step), "min": digits(number.min), "max": digits(number.max),
        "special": {harmless(name): str(code) for name, code in special_codes(number, bits).items()},
    }  # fmt: skip


def _stepped(field: Field) -> Stepped | None:
    number = field if isinstance(field, Stepped) else field.number()
    return number if isinstance(number, Stepped) else None


def _given(value: Any) -> Any:
    if isinstance(value, tuple):
        return [harmless(name) for name in value]
    if isinstance(value, bytes):
        return value.hex()
    return harmless(str(value).lower() if isinstance(value, bool) else str(value))
