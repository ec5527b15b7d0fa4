"""A message as compact JSON (RFC 8259): an object with the names of the fields, no spaces.

Numbers are in their unit; enumerations and special codes are their names, flags a list of names; octets
are base64url without padding, as SenML has them.
"""

from collections.abc import Mapping
from typing import Any

from lowpanbudget.payload.forms.conversion import Down, Up
from lowpanbudget.payload.forms.doubles import read_text, text_of
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.message import Message

Values = dict[str, Any]


def to_json(message: Message, values: Mapping[str, Any]) -> bytes:
    """Return the JSON text of values."""
    return text_of(_WRITE.fields(message.fields, message.unpack(message.pack(values)), {}))


def from_json(message: Message, octets: bytes) -> Values:
    """Return the values of a JSON text."""
    values: Values = _READ.fields(message.fields, read_text(octets), {})
    return values


def _written(field: Field, value: Any, known: Mapping[str, Any]) -> Any:  # noqa: ARG001
    return field.to_json(value)


def _read(field: Field, item: Any, known: Mapping[str, Any]) -> Any:  # noqa: ARG001
    return field.from_json(item)


_WRITE, _READ = Down(_written), Up(_read)
