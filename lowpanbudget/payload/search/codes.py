"""What codes of fields stand for, on two sides."""

from collections.abc import Iterable
from typing import Any

from lowpanbudget.payload.codec.compiler import placed
from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Misfit
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.leaf import Leaf

NOTHING = object()


def codec_of(field: Field, order: Order) -> Codec | None:
    """Return the codec of a field of one fixed width."""
    return placed(field, order).codec if isinstance(field, Leaf) else None


def decoded(codec: Codec, code: int) -> Any:
    """Return what a code stands for."""
    try:
        return codec.decode(code)
    except Misfit:
        return NOTHING


def are_same_codes(codec: Codec, sent: Codec, codes: Iterable[int]) -> bool:
    """Return whether each code stands for the same value on both sides, or for nothing on one."""
    pairs = ((decoded(codec, code), decoded(sent, code)) for code in codes)
    return all(value == meant or NOTHING in (value, meant) for value, meant in pairs)
