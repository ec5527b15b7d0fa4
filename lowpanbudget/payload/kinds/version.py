"""The version of a format."""

from typing import ClassVar

from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.keys import field_kind, key


@field_kind
class Version(Constant):
    """The version of the format: a constant that receivers look at first (by default a nibble)."""

    value: int = key("The version.")
    bits: int = key("Its width.", default=4)

    kind: ClassVar[str] = "version"
    called: ClassVar[tuple[str, ...]] = ("revision",)
    rank: ClassVar[int] = 90
    about: ClassVar[str] = "The version of the format."
    wire: ClassVar[str] = """\
The number itself, unsigned."""
    written: ClassVar[str] = """\
kind = "version"
name = "version"
value = 1"""
