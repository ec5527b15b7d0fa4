"""Values of a message into the data of an encoding and back: what each kind makes of one value, in groups by name."""

from collections.abc import Mapping
from typing import Any

from lowpanbudget.payload.kinds.field import Field, members
from lowpanbudget.payload.kinds.interfaces import LeafConversion
from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class Down:
    """Values into data: dictionaries by name."""

    leaf: LeafConversion

    def fields(
        self, fields: tuple[Field, ...], values: Mapping[str, Any], outer: Mapping[str, Any]
    ) -> Any:
        """Return the data of the fields that have a value."""
        known = {**outer, **values}
        return {
            field.name: field.converted(values[field.name], known, self)
            for field in members(fields)
            if field.name in values
        }


@dataclass(frozen=True, slots=True)
class Up:
    """Data into values."""

    leaf: LeafConversion

    def fields(
        self, fields: tuple[Field, ...], data: Any, outer: Mapping[str, Any]
    ) -> dict[str, Any]:
        """Return the values of the data that is there."""
        values: dict[str, Any] = {}
        for field in members(fields):
            if field.name in data:
                known = {**outer, **values}
                values[field.name] = field.converted(data[field.name], known, self)
        return values
