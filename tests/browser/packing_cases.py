"""Values of random messages as a page takes them, with what packing them gives."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from lowpanbudget import Message
from lowpanbudget.errors import RequestError
from lowpanbudget.payload.search.tree import walk


def controls_of(value: Any) -> Any:
    """Return a value as it stands in the controls of a page: texts, lists of them, values by name."""
    if isinstance(value, Mapping):
        return {name: controls_of(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [controls_of(one) for one in value]
    if isinstance(value, bytes):
        return value.hex()
    return str(value).lower() if isinstance(value, bool) else str(value)


def beside(message: Message, value: Any, share: Decimal) -> Any:
    """Return a value with all its decimals moved a little, but for what is always the same."""
    kept = {field.name for _, field in walk(message.fields) if not field.needs_value}

    def moved(one: Any) -> Any:
        if isinstance(one, Mapping):
            return {name: part if name in kept else moved(part) for name, part in one.items()}
        if isinstance(one, list):
            return [moved(part) for part in one]
        is_number = isinstance(one, int | Decimal) and not isinstance(one, bool)
        return Decimal(one) + share if is_number else one

    return moved(value)


def octets_of(message: Message, values: Mapping[str, Any]) -> str | None:
    """Return the octets of a message in hex, None where it refuses the values."""
    try:
        return message.pack(values).hex()
    except RequestError:
        return None
