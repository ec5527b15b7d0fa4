"""Formats in step: each field that a receiver reads stands in the bits of the one that was sent.

Then no field moves, and code by code the receiver has the same value or refuses: nothing is misread.
"""

import dataclasses
from operator import eq
from typing import NamedTuple

from lowpanbudget.payload.codec.compiler import MAX_DEPTH, references
from lowpanbudget.payload.codec.grid import Stepped, number_codec, special_codes
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.lengths import Counted
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.codes import are_same_codes, codec_of
from lowpanbudget.payload.search.edits import bare
from lowpanbudget.payload.search.extents import most_spare
from lowpanbudget.payload.search.meanings import MEANINGS

_OCTET = 8
_MANY = 12  # bits whose codes are all compared
# keys of what is inside a field, which is looked at by itself
_BODIES = {"fields", "element", "options"}

Fields = tuple[Field, ...]


def is_in_step(receiver: Message, sender: Message, renamed: dict[str, str]) -> bool:
    """Return whether it is proven that each field the receiver reads is the one that was sent, as it was sent."""
    ours, theirs = receiver.order, sender.order
    if _but_bytes(ours) != _but_bytes(theirs):
        return False
    referred = references(sender.fields, MAX_DEPTH)
    step = Alignment(ours, theirs, renamed, referred, most_spare(sender))
    return step.are_same(receiver.fields, sender.fields, inside=False)


class Alignment(NamedTuple):
    """Fields of a receiver beside those of a sender, in the orders of both; ``referred`` choose others.

    ``spare`` is the most bits that fill up the last octet of what is sent.
    """

    ours: Order
    theirs: Order
    renamed: dict[str, str]
    referred: frozenset[str]
    spare: int = _OCTET - 1

    def are_same(self, ours: Fields, theirs: Fields, *, inside: bool) -> bool:
        """Return whether each field stands in the bits of the one sent; ``inside``: and nothing behind."""
        wanted = [self._sent_as(field) for field in ours if field.optional]
        given = [field.name for field in theirs if field.optional]
        at = sent_at = self.ours.rounded(len(wanted))
        known = min(len(wanted), len(given))
        if wanted[:known] != given[:known] or at != self.theirs.rounded(len(given)):
            return False
        # the presence bits of those that the sender does not have are zeros that fill up: they are never there
        never = set(wanted[known:])
        if never & {field.name for field in theirs}:
            return False
        ours = tuple(one for one in ours if not (one.optional and self._sent_as(one) in never))
        rest = list(theirs)
        is_fixed = True  # bits are counted from the start of the group
        for index, field in enumerate(ours):
            at = max(at, field.at or 0)
            if field.carries:
                sent_at = self._passed(rest, sent_at, at)
                if not rest and sent_at <= at:
                    return not inside and self._is_cut(ours[index:], at - sent_at)
                if not rest or max(sent_at, rest[0].at or 0) != at:
                    return False
                other = rest.pop(0)
                if not is_fixed and not field.at == other.at is None:
                    return False
                last = not rest and index + 1 == len(ours)
                if not self.is_same(field, other, inside=inside or not last):
                    return False
                is_fixed = (
                    is_fixed and codec_of(field, self.ours) is not None and not field.optional
                )
            elif field.at is not None and not is_fixed:
                return False
            at += self._width(field)
            sent_at = at if field.carries else sent_at
        return not inside or (self._passed(rest, sent_at, at) == at and not rest)

    def _sent_as(self, field: Field) -> str:
        return self.renamed.get(field.name, field.name)

    def _width(self, field: Field) -> int:
        """Return the bits of a field of fixed width; of any other none, for both sides take as many."""
        codec = codec_of(field, self.ours)
        return codec.width if codec else 0

    def _passed(self, rest: list[Field], sent_at: int, at: int) -> int:
        """Take away the fields that were sent before a place, in bits kept for later; return where they end."""
        while rest and rest[0].at is None and sent_at < at:
            width = self._width(rest[0])
            if not width or rest[0].optional or rest[0].name in self.referred:
                break
            sent_at += width
            del rest[0]
        return sent_at

    def _is_cut(self, missing: Fields, kept: int) -> bool:
        """Return whether the zeros that fill up the last octet never stand for a value that was not sent.

        They are too few, and the receiver refuses; or of a group of optional fields alone they say that none is there.
        """
        for field in missing:
            inner = [one for body in field.bodies() if not body.steps for one in body.fields]
            all_absent = bool(inner) and all(one.optional for one in inner)
            kept += self.ours.rounded(len(inner)) if all_absent else self._width(field)
            kept += self.ours.rounded(field.number_bits())
            if kept > self.spare:
                return True
            if field.carries and not all_absent:
                return False
        return True

    def is_same(self, field: Field, other: Field, *, inside: bool) -> bool:
        """Return whether whatever is read as a field, and not refused, is what was sent as the other one."""
        if self._sent_as(field) != other.name or field.optional != other.optional:
            return False
        codec, sent = codec_of(field, self.ours), codec_of(other, self.theirs)
        if codec and sent:
            if codec.width != sent.width:  # flags that are appended to flags at the end
                flags = not inside and isinstance(field, Flags) and codec.width < sent.width
                return flags and self.is_same_scale(field, other)
            few = codec.width <= _MANY
            every = range(1 << codec.width) if few else ()
            return self.is_same_scale(field, other) or (few and are_same_codes(codec, sent, every))
        if isinstance(field, Counted) and isinstance(other, Counted):
            bits = [self.ours.rounded(one.number_bits()) for one in (field, other)]
            if field.least != other.least or bits[0] != bits[1]:
                return False
        same = self.is_same_scale(field, other)
        return same and self._are_bodies_same(field, other, inside=inside)

    def _are_bodies_same(self, field: Field, other: Field, *, inside: bool) -> bool:
        there = {body.steps: body.fields for body in other.bodies()}
        return all(
            self.are_same(body.fields, there[body.steps], inside=inside)
            if body.named
            else self.is_same(body.fields[0], there[body.steps][0], inside=True)
            for body in field.bodies()
            if body.steps in there  # a tag that only one side has, the other refuses
        )

    def is_same_scale(self, field: Field, other: Field) -> bool:
        """Return whether two fields differ in their limits alone, or in what is inside them."""
        if field.kind != other.kind or field.reference() != other.reference():
            return False
        one, two = field.number(), other.number()
        if one and two and not self._is_same_grid(one, two):
            return False
        differing = _differing(field, other)
        widths = {
            self.ours.rounded(getattr(one, "delta_bits", None) or 0) for one in (field, other)
        }
        differing -= {"delta_bits"} if len(widths) == 1 else set()
        names = [one.names for one in (field, other) if isinstance(one, Flags)]  # of both, or none
        if names:
            return differing <= {"names", "bits"} and all(map(eq, *names))
        named = any(body.named for body in field.bodies())  # without a number of its own
        is_order_same = named or self.ours == self.theirs or self._has_no_byte_order(field)
        return differing <= {*field.refusing, *_BODIES} and is_order_same

    def _has_no_byte_order(self, field: Field) -> bool:
        """Return whether only the byte order is another one, and a field, its number in front as well, has none."""
        is_number = getattr(field, "ordered", field.number() is not None)
        is_counted = self.ours.rounded(field.number_bits()) > _OCTET
        return not (is_number or is_counted) and _but_bytes(self.ours) == _but_bytes(self.theirs)

    def _is_same_grid(self, one: Stepped, two: Stepped) -> bool:
        """Return whether no code of one number stands for another value, or name, of the other."""
        widths = [self.ours.rounded(number.needed()) for number in (one, two)]
        grids = [number.grid()._replace(low=0, high=0, unit="") for number in (one, two)]
        if widths[0] != widths[1] or grids[0] != grids[1]:
            return False
        names = [special_codes(number, widths[0]) for number in (one, two)]
        ours, theirs = (
            number_codec(number.grid(), widths[0], codes)
            for number, codes in zip((one, two), names, strict=True)
        )
        return are_same_codes(ours, theirs, {*names[0].values(), *names[1].values()})


def _but_bytes(order: Order) -> Order:
    """Return an order without that of octets."""
    return order._replace(byte_order="")


def _differing(field: Field, other: Field) -> set[str]:
    """Return the keys in which codes of two fields of a kind differ: not names, places, and what no octet shows."""
    one, two = bare(field), bare(dataclasses.replace(other, name=field.name, at=field.at))
    keys = [item.name for item in dataclasses.fields(one) if item.name not in MEANINGS]
    return {key for key in keys if getattr(one, key) != getattr(two, key)}
