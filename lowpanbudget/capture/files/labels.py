"""What stands before octets in the lines of a log, where the same is meant each time."""

import re

_NUMBER = re.compile(r"[-+]?(?:0[xX])?[0-9a-fA-F]*\d[0-9a-fA-F.]*")


def fixed_label(label: str) -> str:
    """Return a label without what may be another each time: numbers, addresses."""
    return _NUMBER.sub("#", label).rstrip(" :")
