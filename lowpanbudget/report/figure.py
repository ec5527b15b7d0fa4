"""A frame as rows of cells, 32 bits a row like the figures of the standards: pages and pictures draw the same ones."""

from collections.abc import Iterator
from itertools import groupby
from operator import itemgetter

from lowpanbudget.errors import plural
from lowpanbudget.report.view import Data

WIDTH = 32
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_LETTERS_A_BIT = 3.9  # of a name in a cell at this width


def fields_of(page: Data, frame: list[int], octet: int = 0) -> list[Data]:
    """Return the fields of a frame, which names them by their numbers in the pools of ``page``.

    They are counted from ``octet`` on.
    """
    texts, offset = page["texts"], 8 * octet
    fields: list[Data] = []
    for number in frame:
        label, kind, members = page["segments"][number]
        _, plain, place = page["kinds"][kind]
        for member in members:
            bits, name, sent, says, meaning, cite, removed, little = page["fields"][member]
            words = ": ".join(text for text in (texts[says], texts[meaning]) if text)
            fields.append(
                {
                    "number": len(fields) + 1, "offset": offset, "bits": bits, "label": texts[label],
                    "look": "room" if plain else f"k{place}",
                    "letter": "" if plain else _LETTERS[place], "name": texts[name],
                    "place": _place(offset, bits), "says": texts[says],
                    "words": words or texts[sent], "cite": page["cites"][cite],
                    "removed": texts[removed], "little": bool(little),
                }
            )  # fmt: skip
            offset += bits
    return fields


def rows_of(fields: list[Data]) -> Iterator[Data]:
    """Yield rows of pieces of fields; whole rows between the first and the last of a long field are folded."""
    rows: list[Data] = []
    for field in fields:
        end = field["offset"] + field["bits"]
        first, last = field["offset"] // WIDTH, (end - 1) // WIDTH
        for row in range(first, last + 1):
            at = row * WIDTH
            if last - first > 5 and first + 1 < row < last - 1:
                if row == first + 2:
                    folded = (last - first - 3) * WIDTH
                    rows.append({"at": at, "fold": field, "bits": folded, "look": field["look"]})
                continue
            piece = _piece(field, max(field["offset"], at), min(end, at + WIDTH))
            if rows and "pieces" in rows[-1] and rows[-1]["at"] == at:
                rows[-1]["pieces"].append(piece)
            else:
                rows.append({"at": at, "pieces": [piece]})
    yield from rows


def runs_of(fields: list[Data]) -> Iterator[Data]:
    """Yield the fields of one label that follow each other, with their size together."""
    for _, members in groupby(fields, key=itemgetter("label")):
        run = list(members)
        bits = sum(field["bits"] for field in run)
        octets, rest = divmod(bits, 8)
        first = {name: run[0][name] for name in ("label", "look", "letter")}
        yield {
            **first,
            "size": plural(bits, "bit") if rest else plural(octets, "octet"),
            "fields": run,
        }


def _piece(field: Data, start: int, end: int) -> Data:
    return {
        "field": field, "column": start % WIDTH, "bits": end - start, "comes": start > field["offset"],
        "look": field["look"], "letter": field["letter"], "named": _fits(field["name"], end - start),
    }  # fmt: skip


def _fits(name: str, bits: int) -> bool:
    letters = int(bits * _LETTERS_A_BIT) - 1
    return all(len(word) <= letters for word in name.split()) and len(name) + 4 <= letters * 2.2


def _place(offset: int, bits: int) -> str:
    first, last, bit = offset // 8, (offset + bits - 1) // 8, offset % 8
    octets = f"octet {first}" if first == last else f"octets {first} to {last}"
    if bit == 0 and bits % 8 == 0:
        return octets
    return f"{octets}, bit {bit}" if bits == 1 else f"{octets}, bits {bit} to {bit + bits - 1}"
