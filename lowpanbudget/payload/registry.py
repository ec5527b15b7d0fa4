"""All kinds of fields: every module of ``kinds`` is loaded, and each class with a ``kind`` of its own is one."""

from collections.abc import Mapping
from functools import cache
from importlib import import_module
from pkgutil import iter_modules
from types import MappingProxyType

from lowpanbudget.payload import kinds
from lowpanbudget.payload.kinds.field import KINDS, Field


@cache
def all_kinds() -> Mapping[str, type[Field]]:
    """Return every kind by the word of design files, in the order that texts list them."""
    for module in iter_modules(kinds.__path__):
        import_module(f"{kinds.__name__}.{module.name}")
    return MappingProxyType(dict(sorted(KINDS.items(), key=lambda pair: pair[1].rank)))


# what people call a field that is computed over the others
_CHECKS = ("checksum", "crc", "fcs", "lrc", "mic", "parity")
_NO_CHECK = (
    "No kind is computed over the message: codes of the link and the UDP checksum protect it already. For the check of "
    "a format that exists use octets of a constant length, which the firmware fills (lowpanbudget explain "
    "message-check)"
)


_COUNTS = ("counter", "meter", "odometer")
_COUNT = (
    "Did you mean sequence, which numbers messages, or number? What a meter counts is a number from 0 to one step "
    "below where it wraps: the node counts modulo that, and so does who takes the difference of two readings"
)


@cache
def usual_words() -> Mapping[str, str]:
    """Return what to write for words of other languages."""
    kinds = all_kinds()
    meant = {word: f"Did you mean {kind}?" for kind in kinds for word in kinds[kind].called}
    others = dict.fromkeys(_CHECKS, _NO_CHECK) | dict.fromkeys(_COUNTS, _COUNT)
    return MappingProxyType(meant | others)
