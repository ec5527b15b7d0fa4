"""The version of a format."""

import dataclasses
from typing import ClassVar

from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.keys import says
from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class Version(Constant):
    """The version of the format: a constant that receivers look at first (by default a nibble)."""

    _: dataclasses.KW_ONLY
    value: int = dataclasses.field(metadata=says("The version."))
    bits: int = dataclasses.field(default=4, metadata=says("Its width."))

    kind: ClassVar[str] = "version"
    rank: ClassVar[int] = 90
    about: ClassVar[str] = "The version of the format."
    written: ClassVar[str] = """\
kind = "version"
name = "version"
value = 1"""
