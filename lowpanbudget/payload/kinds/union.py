"""One of several groups, chosen by an earlier field."""

import dataclasses
from typing import ClassVar

from lowpanbudget.payload.kinds.field import Field


@dataclasses.dataclass(frozen=True, slots=True)
class Option:
    """What a union holds when its tag is ``when``; ``fields`` may be empty."""

    when: str
    fields: tuple[Field, ...]


@dataclasses.dataclass(frozen=True, slots=True)
class Union(Field):
    """One of several groups of fields, chosen by an earlier enumeration named ``tag``; the value is a dictionary."""

    _: dataclasses.KW_ONLY
    tag: str
    options: tuple[Option, ...]

    kind: ClassVar[str] = "union"
