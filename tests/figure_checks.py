"""The figures of ``vectors/figures.toml``, each with the check of its kind.

A check returns its verdict or raises ``AssertionError``. Nothing here imports a module of a layer: layouts are those of
the spans in vectors, or what ``lowpanbudget explain --json`` shows.
"""

import json
from collections.abc import Callable
from itertools import groupby

from click.testing import CliRunner
from figure_vectors import (
    AS_LONG,
    EXACT,
    READ,
    SHORTER,
    VECTORS,
    Record,
    directions,
    frames,
    spans_of,
)
from vector_files import document

from lowpanbudget import Mac, Security, encode_frame

DATA: Record = document(VECTORS / "figures.toml")
DOCUMENTS: list[Record] = DATA["document"]
FIGURES: list[Record] = DATA["figure"]

LAYOUT = "layout compared"
ROWS = "every row hit"
ORDER = "order of headers compared"
SIZES = "sizes reproduced"
NOTHING = "nothing to reproduce"
MISSING = "not built"
VERDICTS = (EXACT, AS_LONG, SHORTER, READ, LAYOUT, ROWS, ORDER, SIZES, NOTHING, MISSING)


def check_octets(figure: Record) -> str:
    return max((directions(name) for name in figure["vectors"]), key=VERDICTS.index)


def _explained(header: str) -> list[tuple[str, int, str]]:
    from lowpanbudget.cli.main import program

    answer = CliRunner().invoke(program, ["explain", header, "--json"])
    assert answer.exit_code == 0, answer.output
    return [
        (field["name"], field["bits"], field["fixed"] or "x" * field["bits"])
        for field in json.loads(answer.output)["found"][0]["fields"]
    ]


def check_format(figure: Record) -> str:
    """Compare names, widths and fixed bits, in order, with a run of the header's fields."""
    header = figure["header"]
    shown = (
        [(s.name, s.bits, bits[: s.bits]) for s, bits in spans_of(figure["vector"]) if s.layer == header]
        if "vector" in figure
        else _explained(header)
    )  # fmt: skip
    fields = [(name, width, rest[0] if rest else name) for name, width, *rest in figure["fields"]]
    groups = [(key, list(group)) for key, group in groupby(fields, lambda field: field[2])]
    wanted = [name for key, _ in groups for name in key.split(" + ")]
    names = [name for name, _, _ in shown]
    starts = [at for at in range(len(names)) if names[at : at + len(wanted)] == wanted]
    assert starts, f"{header} shows {names}, the figure {wanted}"
    at = starts[0]
    for key, group in groups:
        part = shown[at : at + len(key.split(" + "))]
        at += len(part)
        width, bits = sum(size for _, size, _ in part), "".join(bits for _, _, bits in part)
        assert width == sum(size for _, size, _ in group), f"{key} has {width} bits"
        for name, size, _ in group:
            if set(name) <= {"0", "1"}:
                assert len(name) == size, f"{name} has not {size} bits"
                assert bits[:size] == name, f"{key} is {bits[:size]}, the figure has {name}"
            bits = bits[size:]
    return LAYOUT


def _matches(bits: str, code: str) -> bool:
    return len(bits) >= len(code) and all(c in {"x", b} for b, c in zip(bits, code, strict=False))


def _hit(code: str, name: str, where: str) -> bool:
    layer, _, field = where.partition("/")
    for read in frames(name):
        if (
            type(read.fault).__name__ == where
            and read.fault is not None
            and read.fault.offset is not None
        ):
            return _matches(read.bits[read.fault.offset * 8 :], code)
    for span, bits in spans_of(name):
        if span.layer != layer or (field and span.name != field):
            continue
        if "-" in code:
            first, last = map(int, code.split("-"))
            if first <= int(bits[: span.bits], 2) <= last:
                return True
        elif _matches(bits, code):
            return True
    return False


def check_table(figure: Record) -> str:
    missed = [" ".join(row) for row in figure["rows"] if not _hit(*row)]
    assert not missed, missed
    return ROWS


def check_sizes(figure: Record) -> str:
    """Compare with 127 octets less a frame without payload, both PAN IDs and extended addresses in it."""
    stated = document(VECTORS / f"{figure['vector']}.toml")
    for case in stated["case"]:
        level = case["level"]
        mac = Mac(
            destination_pan=1, destination=bytes(7) + b"\2", source_pan=2, source=bytes(7) + b"\1",
            security=Security(level, key_id_mode=0, frame_counter=1) if level else None,
        )  # fmt: skip
        frame = encode_frame(mac, b"", key=bytes(16) if level else None).octets
        assert stated["psdu"] - len(frame) == case["room"], f"level {level}: {len(frame)} octets"
    return SIZES


def check_stack(figure: Record) -> str:
    for name, layers in figure["stacks"]:
        directions(name)
        found = [layer for layer, _ in groupby(span.layer for span, _ in spans_of(name))]
        assert found == layers, f"{name} has {found}"
    return ORDER


CHECKS: dict[str, Callable[[Record], str]] = {
    "octets": check_octets,
    "format": check_format,
    "table": check_table,
    "sizes": check_sizes,
    "stack": check_stack,
    "drawing": lambda _: NOTHING,
    "missing": lambda _: MISSING,
}


def verdict(figure: Record) -> str:
    return CHECKS[figure["kind"]](figure)
