"""What compilers say of the stack that the generated functions take, along the deepest way through them."""

import re
from collections.abc import Mapping
from pathlib import Path

_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
_FUNCTION = re.compile(
    r"^(?:static )?(?:const )?[\w ]+?[ *](\w+)\([^;{}]*?\)\n\{\n(.*?)^\}", re.MULTILINE | re.DOTALL
)
_CALL = re.compile(r"\b(\w+)\(")
_TOLD = re.compile(r"packing at most (\d+), unpacking at most (\d+)")


def usage(file: Path) -> dict[str, int]:
    """Return the octets of each function of a file that ``-fstack-usage`` wrote; of its copies the greatest."""
    found: dict[str, int] = {}
    for line in file.read_text().splitlines():
        place, octets, kind = line.split("\t")
        if kind != "static":
            raise ValueError(f"{place} takes stack as it runs: {kind}")
        name = place.split(":")[-1].split(".")[0]
        found[name] = max(found.get(name, 0), int(octets))
    return found


def deepest(source: str, name: str, used: Mapping[str, int]) -> int:
    """Return the octets of a function and of all that it calls, on the way that takes most."""
    bodies = dict(_FUNCTION.findall(_COMMENT.sub("", source)))

    def way(at: str, above: tuple[str, ...]) -> int:
        if at in above:
            raise ValueError(f"{at} calls itself")
        called = [inner for inner in set(_CALL.findall(bodies[at])) if inner in bodies]
        return used.get(at, 0) + max((way(inner, (*above, at)) for inner in called), default=0)

    return way(name, ())


def told(header: str) -> tuple[int, int]:
    """Return what a header says of packing and unpacking."""
    found = _TOLD.search(" ".join(header.replace("\n *", "\n").split()))
    assert found is not None
    return int(found[1]), int(found[2])
