"""The version of a format."""

import dataclasses
from typing import ClassVar

from lowpanbudget.payload.kinds.constant import Constant


@dataclasses.dataclass(frozen=True, slots=True)
class Version(Constant):
    """The version of the format: a constant that receivers look at first (by default a nibble)."""

    _: dataclasses.KW_ONLY
    bits: int = 4

    kind: ClassVar[str] = "version"
