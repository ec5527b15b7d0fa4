"""What a page needs to pack a message: its fields in order, and by which rule a value of each becomes bits.

The page's script has a rule for each form in which values become bits (steps, codes, entries of a list, elements with
their count ...) and no kind of field: widths, codes and limits come from here, as the codecs of the kinds have them.
What has no rule is for the command.
"""

from collections.abc import Mapping
from functools import singledispatchmethod
from typing import Any

from lowpanbudget.payload.codec.grid import Stepped, special_codes
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import digits
from lowpanbudget.payload.forms.binary_formats import FORMATS
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.leaf import Leaf
from lowpanbudget.payload.kinds.lengths import Counted
from lowpanbudget.payload.kinds.listed import ListedLeaf
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.reserved import ReservedBits
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.text import Text
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.words import text_of
from lowpanbudget.report.screen import harmless
from lowpanbudget.report.view import Data

_MOST_ENTRIES = 512  # of a list of values: a longer one would be most of a page
Known = Mapping[str, Any]  # usual values of the fields before
Told = Data | None


def packing(message: Message) -> Told:
    """Return the fields and how their bits lie; None for a message that a page does not pack."""
    order = message.order
    fields = _Rules(order, {}).fields(message.fields)
    return None if fields is None else {"msb": order.msb_first, "mixed": order.mixed, **fields}


class _Rules:
    """The rules of the fields of a group, in the order of bits of the message; ``known`` are usual values around it."""

    def __init__(self, order: Order, known: Known) -> None:
        self._order, self._known = order, dict(known)

    def fields(self, fields: tuple[Field, ...]) -> Told:
        """Return the presence bits of the fields, and the fields with the gaps between them."""
        presence = self._order.rounded(sum(field.optional for field in fields))
        told: list[Data] = []
        position: int | None = presence  # None once it varies
        for field in fields:
            if field.at is not None and field.at != position:
                if position is None:
                    return None
                told.append(
                    {"name": "", "rule": "always", "value": "0", "bits": field.at - position}
                )
                position = field.at
            one = self.field(field)
            if one is None:
                return None
            optional = {"there": field.typically_present} if field.optional else {}
            told.append({"name": harmless(field.name), **one, **optional})
            bits = None if field.optional else _bits(one)
            position = None if position is None or bits is None else position + bits
            if field.referable and isinstance(field, Leaf):
                self._known[field.name] = field.example("typical")
        return {"presence": presence, "fields": told}

    def field(self, field: Field) -> Told:
        """Return the rule of a field with its numbers, and a usual value; None where there is no rule."""
        told = self._rule(field)
        if told is None or not isinstance(field, Leaf):
            return told
        usual = {} if told["rule"] == "always" else {"given": _given(field.example("typical"))}
        return {
            **self._place(field.needed(), ordered=field.ordered),
            **usual,
            **_unit(field),
            **told,
        }

    def _place(self, needed: int, *, ordered: bool = True) -> Data:
        return {"bits": self._order.rounded(needed), **({"ordered": True} if ordered else {})}

    def _inner(self, fields: tuple[Field, ...]) -> Told:
        return _Rules(self._order, self._known).fields(fields)

    def _counted(self, field: Counted) -> Data:
        count = self._order.rounded(field.number_bits())
        return {"least": field.least, "most": field.most, "count": count}

    @singledispatchmethod
    def _rule(self, field: Field) -> Told:
        number = field if isinstance(field, Stepped) else field.number()
        if number is None or not isinstance(field, Leaf):
            return None
        return _steps(number, self._order.rounded(field.needed()))

    @_rule.register
    def _(self, field: Sequence) -> Told:
        return {"whole": True, **_steps(field.number(), self._order.rounded(field.needed()))}

    @_rule.register
    def _(self, _: ReservedBits) -> Told:
        return {"rule": "always", "value": "0"}

    @_rule.register
    def _(self, field: Constant) -> Told:
        return {"rule": "always", "value": str(field.value)}

    @_rule.register
    def _(self, field: Enumeration) -> Told:
        codes = zip(map(harmless, field.names), map(str, field.numbers()), strict=True)
        return {"rule": "codes", "codes": dict(codes)}

    @_rule.register
    def _(self, _: Boolean) -> Told:
        return {"rule": "codes", "codes": {"false": "0", "true": "1"}}

    @_rule.register
    def _(self, field: Flags) -> Told:
        weights = self._order.weights(field.names, self._order.rounded(field.needed()))
        flags = {harmless(name): str(weight) for name, weight in weights.items()}
        return {"rule": "flags", "flags": flags}

    @_rule.register
    def _(self, field: ListedLeaf) -> Told:
        entries = field.entries()
        if len(entries) > _MOST_ENTRIES:
            return None
        return {"rule": "entries", "entries": [digits(entry) for entry in entries]}

    @_rule.register
    def _(self, field: Float) -> Told:
        fraction = FORMATS[field.bits].fraction
        limits = [None if limit is None else repr(limit) for limit in field.limits()]
        stated = [None if limit is None else digits(limit) for limit in (field.min, field.max)]
        return {
            "rule": "float", "fraction": fraction, "exponent": field.bits - 1 - fraction, "limits": limits,
            "stated": stated,
        }  # fmt: skip

    @_rule.register
    def _(self, field: Octets) -> Told:
        given = _given(field.example("typical"))
        return {"rule": "octets", **self._counted(field), "given": given}

    @_rule.register
    def _(self, field: Text) -> Told:
        given, is_ascii = harmless(field.example("typical")), field.encoding == "ascii"
        return {"rule": "text", **self._counted(field), "ascii": is_ascii, "given": given}

    @_rule.register
    def _(self, field: TimeOffset) -> Told:
        number = field.number()
        place = self._place(number.needed())
        given = _given(self._known[field.base] + field.example_offset("typical"))
        rule = _steps(number, place["bits"])
        return {**place, "given": given, **_unit(field), **rule, "after": harmless(field.base)}

    @_rule.register
    def _(self, field: Group) -> Told:
        fields = self._inner(field.fields)
        return None if fields is None else {"rule": "group", **fields}

    @_rule.register
    def _(self, field: Union) -> Told:
        options = {harmless(option.when): self._inner(option.fields) for option in field.options}
        if None in options.values():
            return None
        return {"rule": "union", "tag": harmless(field.tag), "options": options}

    @_rule.register
    def _(self, field: Array) -> Told:
        element = self.field(field.element)
        if element is None:
            return None
        usual = field.example_length("typical")
        return {"rule": "array", **self._counted(field), "usual": usual, "element": element}

    @_rule.register
    def _(self, field: Series) -> Told:
        counted, usual = self._counted(field), field.example_length("typical")
        told = {"rule": "series", **counted, "usual": usual, "element": self.field(field.number())}
        if field.delta_bits is None:
            return {**told, "group": field.group_bits or 7}
        return {**told, "delta": self._order.rounded(field.delta_bits), "escape": field.escape}


def _steps(number: Stepped, bits: int) -> Data:
    special = {harmless(name): str(code) for name, code in special_codes(number, bits).items()}
    return {
        "rule": "steps", "base": digits(number.base), "step": digits(number.step), "min": digits(number.min),
        "max": digits(number.max), **({"special": special} if special else {}),
    }  # fmt: skip


def _bits(told: Data) -> int | None:
    """Return the bits that a field always takes; None where they vary, or are not known here."""
    if "bits" in told:
        return int(told["bits"])
    return 8 * int(told["least"]) if told.get("count") == 0 and "element" not in told else None


def _unit(field: Field) -> Data:
    unit = harmless(field.shown_unit())
    return {"unit": unit} if unit else {}


def _given(value: Any) -> Any:
    if isinstance(value, tuple):
        return [harmless(name) for name in value]
    return harmless(text_of(value))
