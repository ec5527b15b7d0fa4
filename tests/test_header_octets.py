"""Bits and octets of headers are taken and put by the layout language alone; what is not is named, with a reason."""

import ast
from collections.abc import Iterator
from pathlib import Path

from house import last_name, tree_of

import lowpanbudget

LAYERS = Path(lowpanbudget.__file__).parent / "layers"
MODULES = sorted(LAYERS.rglob("*.py"))
# names that octets from the air or for the air go by in the layers
WIRE = {
    "body",
    "buffer",
    "code",
    "content",
    "data",
    "datagram",
    "fragment",
    "frame",
    "header",
    "message",
    "octets",
    "packet",
    "payload",
    "routing",
    "sealed",
    "segment",
    "text",
    "wire",
}
ROWS = ("_fit", "_restore")  # of a table: they make the octets of a value, and the value of octets
CIPHER = "nonces, additional data and what a cipher takes and gives"
CHECKSUM = "a sum over all octets, its own field as zeros"
WHOLE = "an extension header comes and goes as octets; its length, its pad and what is before it are elided"
# module, function or class: why it handles octets itself
MAY = {
    "internet.dtls.seal": CIPHER,
    "internet.icmpv6.checksum": CHECKSUM,
    "internet.ipv6.ones_complement_sum": CHECKSUM,
    "internet.oscore.option.OscoreOption.sequence": CIPHER,
    "internet.oscore.option.piv_octets": CIPHER,
    "internet.oscore.protect": CIPHER,
    "internet.udp.checksum": CHECKSUM,
    "internet.udp.is_right_behind": CHECKSUM,
    "link.fcs": CHECKSUM,
    "link.nonces": CIPHER,
    "link.security": CIPHER,
    "lowpan.extension_nhc": WHOLE,
    "lowpan.ghc": "the byte machine of RFC 7400",
    "lowpan.ghc_headers.decode_extension": WHOLE,
    "lowpan.ghc_headers.encode_extension": WHOLE,
    "lowpan.ghc_headers.gives_back": WHOLE,
    "lowpan.mesh.group_address": "an address made of another, as identifiers are",
    "lowpan.routing": WHOLE,
}


def name_of(path: Path) -> str:
    return ".".join(path.relative_to(LAYERS).with_suffix("").parts)


def handles_octets(node: ast.AST) -> bool:
    """Return whether a node takes octets out of others by their place, or makes a number of them, or the reverse."""
    if isinstance(node, ast.Subscript):
        fixed = isinstance(node.slice, ast.Slice | ast.Constant | ast.BinOp | ast.Name)
        return fixed and last_name(node.value) in WIRE
    return isinstance(node, ast.Call) and last_name(node.func) in {"from_bytes", "to_bytes"}


def found(tree: ast.Module, module: str) -> Iterator[tuple[str, int]]:
    """Yield function (or class and method) and line of each node that handles octets, rows of tables left out."""

    def walk(node: ast.AST, place: str) -> Iterator[tuple[str, int]]:
        if handles_octets(node):
            yield place, getattr(node, "lineno", 0)
        if isinstance(node, ast.Call) and last_name(node.func) == "Row":
            return  # a lambda there is its fit or restore
        if isinstance(node, ast.FunctionDef) and node.name.startswith(ROWS):
            return
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            place = f"{place}.{node.name}"
        for child in ast.iter_child_nodes(node):
            yield from walk(child, place)

    yield from walk(tree, module)


def allowed(place: str) -> str | None:
    """Return the entry that allows a place: its own, or one of what it stands in."""
    parts = place.split(".")
    names = (".".join(parts[:count]) for count in range(len(parts), 0, -1))
    return next((name for name in names if name in MAY), None)


def test_octets_of_headers_are_handled_by_the_language_alone() -> None:
    """What is not is an exception by name, and an entry that nothing needs any more goes."""
    used = set()
    for path in MODULES:
        for place, line in found(tree_of(path), name_of(path)):
            entry = allowed(place)
            assert entry, f"{place}:{line}: state it in a layout, or name it here with a reason"
            used.add(entry)
    assert used == MAY.keys()


def test_the_walk_finds_what_it_should() -> None:
    text = (
        "def f(reader, octets, pair):\n"
        "    a = reader.data[reader.pos : 4]\n    b = octets[6]\n    c = int.from_bytes(octets)\n"
        "    d = pair[0]\n    e = Row(1, lambda octets: octets[0])\n    return (5).to_bytes(2)\n"
    )
    assert list(found(ast.parse(text), "m")) == [("m.f", 2), ("m.f", 3), ("m.f", 4), ("m.f", 7)]
