"""The pieces that a message's construct is made of: bits with a weight, counts, contents, times, series."""

import io
from collections.abc import Callable
from functools import partial
from typing import Any, ClassVar, Protocol

import construct as cs

from lowpanbudget.payload.codec.counted import Lengths
from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.codec.samples import Sampled
from lowpanbudget.payload.flaws import Misfit


class Coding(Protocol):
    """A field of one fixed width."""

    ordered: ClassVar[bool]

    def needed(self) -> int:
        """Return the bits that it needs."""

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec for a place of so many bits."""


class Stream(cs.Subconstruct):  # type: ignore[misc]  # construct ships no types
    """Turns octets into a stream of bits, one octet of 0 or 1 a bit, in the bit order of the message."""

    def __init__(self, subcon: Any, order: Order) -> None:
        super().__init__(subcon)
        self.order = order

    def _parse(self, stream: Any, context: Any, path: str) -> Any:
        start = stream.tell()
        bits = bytearray()
        for octet in stream.read():
            text = format(octet, "08b").encode().translate(_TO_BITS)
            bits += text if self.order.msb_first else text[::-1]
        inner = io.BytesIO(bytes(bits))
        value = self.subcon._parse(inner, context, path)  # noqa: SLF001 - how constructs call each other
        stream.seek(start + (inner.tell() + 7) // 8)
        return value

    def _build(self, obj: Any, stream: Any, context: Any, path: str) -> Any:
        inner = io.BytesIO()
        built = self.subcon._build(obj, inner, context, path)  # noqa: SLF001
        bits = inner.getvalue() + bytes(-len(inner.getvalue()) % 8)
        for start in range(0, len(bits), 8):
            eight = bits[start : start + 8]
            text = (eight if self.order.msb_first else eight[::-1]).translate(_TO_TEXT)
            stream.write(bytes([int(text, 2)]))
        return built

    def _sizeof(self, context: Any, path: str) -> int:
        bits: int = self.subcon._sizeof(context, path)  # noqa: SLF001
        return (bits + 7) // 8


_TO_BITS = bytes.maketrans(b"01", b"\0\1")
_TO_TEXT = bytes.maketrans(b"\0\1", b"01")


class Converted(cs.Adapter):  # type: ignore[misc]
    """What another construct holds, converted by two functions of it and the context."""

    def __init__(
        self, subcon: Any, decode: Callable[[Any, Any], Any], encode: Callable[[Any, Any], Any]
    ) -> None:
        super().__init__(subcon)
        self.decode, self.encode = decode, encode

    def _decode(self, obj: Any, context: Any, path: str) -> Any:
        return checked(lambda: self.decode(obj, context), path)

    def _encode(self, obj: Any, context: Any, path: str) -> Any:
        return checked(lambda: self.encode(obj, context), path)


def code_form(weights: list[int], codec: Codec) -> Any:
    """Return a number of some bits, each with its significance, and what its codes mean."""
    return Converted(
        cs.Bytes(len(weights)),
        lambda bits, _: codec.decode(
            sum(bit << weight for bit, weight in zip(bits, weights, strict=True))
        ),
        lambda value, _: _bits(codec.encode(value), weights),
    )


def _bits(code: int, weights: list[int]) -> bytes:
    return bytes(code >> weight & 1 for weight in weights)


class SeriesForm(cs.Construct):  # type: ignore[misc]
    """A series: count, first sample, differences."""

    def __init__(self, field: Sampled, order: Order, sample: Any) -> None:
        super().__init__()
        self.field = field
        self.grid = field.number().grid()
        self.count = count_form(field, order)
        self.sample = sample
        self.escape: int | None = None
        if field.deltas == "fixed":
            assert field.delta_bits is not None
            width = order.rounded(field.delta_bits)
            self.half = 1 << (width - 1)
            self.escape = self.half if field.escape else None
            self.delta = coded(width, order)
        else:
            self.group = field.group_width
            self.delta = coded(self.group + 1, order)

    def _parse(self, stream: Any, context: Any, path: str) -> list[Any]:
        del context
        count = self.count.parse_stream(stream) if self.count else self.field.least
        samples: list[Any] = []
        for index in range(count):
            delta = None if index == 0 else self._read_delta(stream, path)
            if delta is None:
                samples.append(self.sample.parse_stream(stream))
                continue
            steps = self.grid.steps_of(samples[-1]) + delta
            if not self.grid.low <= steps <= self.grid.high:
                raise cs.ValidationError("a difference leads out of the range", path=path)
            samples.append(self.grid.value_of(steps))
        return samples

    def _build(self, obj: Any, stream: Any, context: Any, path: str) -> Any:
        del context
        if self.count:
            self.count.build_stream(len(obj), stream)
        before = 0
        for index, sample in enumerate(obj):
            steps = checked(partial(self.grid.steps_of, sample), path)
            if index == 0:
                self.sample.build_stream(sample, stream)
            else:
                self._write_delta(stream, steps - before, sample, path)
            before = steps
        return obj

    def _read_delta(self, stream: Any, path: str) -> int | None:
        if self.field.deltas == "fixed":
            code: int = self.delta.parse_stream(stream)
            if code == self.escape:
                return None
            return code - 2 * self.half if code >= self.half else code
        groups: list[int] = [self.delta.parse_stream(stream)]
        while groups[-1] >> self.group:
            groups.append(self.delta.parse_stream(stream))
        if len(groups) > 1 and not groups[-1]:
            raise cs.ValidationError("a difference in more groups than it needs", path=path)
        zigzag = sum(
            (group & ((1 << self.group) - 1)) << k * self.group for k, group in enumerate(groups)
        )
        return -(zigzag + 1) // 2 if zigzag & 1 else zigzag // 2

    def _write_delta(self, stream: Any, delta: int, sample: Any, path: str) -> None:
        if self.field.deltas == "fixed":
            lowest = -self.half if self.escape is None else 1 - self.half
            if lowest <= delta < self.half:
                self.delta.build_stream(delta % (2 * self.half), stream)
            elif self.escape is None:
                raise cs.ValidationError(f"a difference of {delta} steps", path=path)
            else:
                self.delta.build_stream(self.escape, stream)
                self.sample.build_stream(sample, stream)
            return
        zigzag = 2 * delta if delta >= 0 else -2 * delta - 1
        while zigzag >> self.group:
            self.delta.build_stream(1 << self.group | zigzag & ((1 << self.group) - 1), stream)
            zigzag >>= self.group
        self.delta.build_stream(zigzag, stream)


def leaf_form(field: Coding, order: Order) -> Any:
    """Return the construct of one value."""
    width = order.rounded(field.needed())
    return code_form(significance(width, order, ordered=field.ordered), field.codec(width, order))


def coded(width: int, order: Order) -> Any:
    """Return a plain number."""
    return code_form(significance(width, order, ordered=True), Codec(width, int, int))


def significance(width: int, order: Order, *, ordered: bool) -> list[int]:
    """Return the weight (as a power of two) of each bit of a number, first bit on the wire first.

    Groups of eight, counted from the least significant bit: the byte order says which group comes
    first, the bit order which bit of a group. Strings of bits are one group.
    """
    size = 8 if ordered else max(1, width)
    groups = [list(range(low, min(low + size, width))) for low in range(0, width, size)]
    if order.byte_order == "big":
        groups.reverse()
    return [weight for group in groups for weight in (group[::-1] if order.msb_first else group)]


def count_form(of: Lengths, order: Order) -> Any:
    """Return the construct of a count, or None where it is not sent."""
    least, most, width = of.least, of.most, order.rounded(of.number_bits())
    if not width:
        return None

    def decode(code: int) -> int:
        if code + least > most:
            raise Misfit(f"a count of {code + least}, and at most {most} are allowed")
        return code + least

    def encode(count: int) -> int:
        if not least <= count <= most:
            raise Misfit(f"{count} elements, and {least} .. {most} are allowed")
        return count - least

    return code_form(significance(width, order, ordered=True), Codec(width, encode, decode))


def checked(work: Callable[[], Any], path: str) -> Any:
    """Return what the work gives, its fault as one of construct's."""
    try:
        return work()
    except Misfit as fault:
        raise cs.ValidationError(fault.message, path=path) from None


def earlier(context: Any, name: str) -> Any:
    """Return the value of an earlier field of this group or one around it."""
    while name not in context:
        context = context["_"]
    return context[name]
