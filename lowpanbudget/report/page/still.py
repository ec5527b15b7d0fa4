"""What stands in a page without its script: the frame of the first flow and hop, and every table of it.

The rows of fields are those that the page's script draws at 32 bits a row.
"""

from collections.abc import Iterator
from itertools import groupby
from math import prod
from operator import itemgetter
from typing import Any

from lowpanbudget.errors import plural
from lowpanbudget.report.view import Data

_WIDTH = 32
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_LOOKS = 8
_LETTERS_A_BIT = 3.9  # of a name in a cell at this width


def still(page: Data, flow: int = 0, hop: int = 0) -> Data:
    """Return the frame of a flow on a hop, as the design has it, in rows of pieces, and the rows of its tables."""
    shown = page["flows"][flow]
    figure = _figure(page, shown["frames"][0][hop], shown["restored"][0][hop])
    octets = sum(field["bits"] for field in figure["fields"]) // 8
    return {
        "answer": _answer(shown, hop, octets),
        **figure,
        "cautions": shown["hops"][hop]["cautions"],
        "alone": list(_alone(page, shown, hop)),
        "bits": {one["id"]: list(_rows(_bits(page, one))) for one in page["messages"]},
    }


def still_frame(page: Data) -> Data:
    """Return the first frame that the page of a capture draws."""
    if not page["drawn"]:
        return {"title": "None", "fields": [], "rows": [], "runs": [], "absent": []}
    frame = page["drawn"][0]
    title = f"Frame {frame['number']}: {page['texts'][frame['kind']]}, {plural(frame['octets'], 'octet')}"
    return {"title": title, **_figure(page, frame["frame"], frame["restored"])}


def _figure(page: Data, frame: list[int], restored: int) -> Data:
    fields = _fields(page, frame)
    return {
        "fields": fields,
        "rows": list(_rows(fields)),
        "runs": list(_runs(fields)),
        "absent": list(_absent(page, restored)),
    }


def _answer(flow: Data, hop: int, octets: int) -> str:
    room, where = flow["rooms"][0][hop], f"{flow['name']}, {flow['hops'][hop]['name']} hop"
    if room < 0:
        return f"On {where}, nothing fits: the headers alone are {plural(-room, 'octet')} over."
    headers = f"{plural(octets - room, 'octet')} of {octets}"
    return f"On {where}, one frame carries {plural(room, 'octet')} of your data: {headers} are headers and trailer."


def _fields(page: Data, frame: list[int]) -> list[Data]:
    texts, offset = page["texts"], 0
    fields: list[Data] = []
    for number in frame:
        label, kind, members = page["segments"][number]
        plain = page["kinds"][kind][1]
        for member in members:
            bits, name, sent, says, meaning, cite, removed, _ = page["fields"][member]
            words = ": ".join(text for text in (texts[says], texts[meaning]) if text)
            fields.append(
                {
                    "number": len(fields) + 1, "offset": offset, "bits": bits, "label": texts[label],
                    "look": "room" if plain else f"k{kind % _LOOKS}",
                    "letter": "" if plain else _LETTERS[kind % len(_LETTERS)], "name": texts[name],
                    "place": _place(offset, bits), "words": words or texts[sent], "cite": page["cites"][cite],
                    "removed": texts[removed],
                }
            )  # fmt: skip
            offset += bits
    return fields


def _bits(page: Data, message: Data) -> list[Data]:
    """Return the fields of a message as those of a frame."""
    fields: list[Data] = []
    offset = 0
    for name, bits, is_padding in message["fields"]:
        look = "room" if is_padding else f"k{message['names'].index(name) % _LOOKS}"
        fields.append(
            {
                "number": len(fields) + 1, "offset": offset, "bits": bits, "look": look, "letter": "",
                "name": page["texts"][name],
            }
        )  # fmt: skip
        offset += bits
    return fields


def _alone(page: Data, flow: Data, hop: int) -> Iterator[Data]:
    """Yield each change made alone, with the room it then leaves."""
    settings, texts = flow["settings"], page["texts"]
    offers, column = flow["offers"][0], 0
    for at, setting in enumerate(settings):
        for value, change in enumerate(setting["changes"], 1):
            state = _alone_state(flow, at, value)
            rooms = flow["rooms"][state]
            yield {
                "text": texts[offers[column]], "condition": texts[change["condition"]],
                "caution": texts[change["caution"]], "room": None if rooms is None else rooms[hop],
            }  # fmt: skip
            column += 1


def _alone_state(flow: Data, at: int, value: int) -> int:
    """Return the number of the state in which one setting has another value."""
    settings = flow["settings"]
    if not flow["whole"]:
        return int(flow["ids"].index([settings[at]["changes"][value - 1]["id"]]))
    return value * prod(len(setting["changes"]) + 1 for setting in settings[at + 1 :])


def _place(offset: int, bits: int) -> str:
    first, last, bit = offset // 8, (offset + bits - 1) // 8, offset % 8
    octets = f"octet {first}" if first == last else f"octets {first} to {last}"
    if bit == 0 and bits % 8 == 0:
        return octets
    return f"{octets}, bit {bit}" if bits == 1 else f"{octets}, bits {bit} to {bit + bits - 1}"


def _rows(fields: list[Data]) -> Iterator[Data]:
    """Yield rows of pieces of fields; whole rows between the first and the last of a long field are folded."""
    rows: list[Data] = []
    for field in fields:
        end = field["offset"] + field["bits"]
        first, last = field["offset"] // _WIDTH, (end - 1) // _WIDTH
        for row in range(first, last + 1):
            at = row * _WIDTH
            if last - first > 5 and first + 1 < row < last - 1:
                if row == first + 2:
                    folded = (last - first - 3) * _WIDTH
                    rows.append({"at": at, "fold": field, "bits": folded, "look": field["look"]})
                continue
            piece = _piece(field, max(field["offset"], at), min(end, at + _WIDTH))
            if rows and "pieces" in rows[-1] and rows[-1]["at"] == at:
                rows[-1]["pieces"].append(piece)
            else:
                rows.append({"at": at, "pieces": [piece]})
    yield from rows


def _piece(field: Data, start: int, end: int) -> Data:
    return {
        "field": field, "column": start % _WIDTH, "bits": end - start, "look": field["look"],
        "letter": field["letter"], "named": _fits(field["name"], end - start),
    }  # fmt: skip


def _fits(name: str, bits: int) -> bool:
    letters = int(bits * _LETTERS_A_BIT) - 1
    return all(len(word) <= letters for word in name.split()) and len(name) + 4 <= letters * 2.2


def _runs(fields: list[Data]) -> Iterator[Data]:
    """Yield the fields of one label that follow each other, with their size together."""
    for _, members in groupby(fields, key=itemgetter("label")):
        run = list(members)
        bits = sum(field["bits"] for field in run)
        octets, rest = divmod(bits, 8)
        first = {name: run[0][name] for name in ("label", "look", "letter")}
        yield {**first, "size": plural(bits, "bit") if rest else plural(octets, "octet"), "fields": run}


def _absent(page: Data, number: int) -> Iterator[dict[str, Any]]:
    texts = page["texts"]
    for one in page["lists"][number]:
        header, name, says, bits, carried, source, cite = page["absent"][one]
        yield {
            "header": texts[header], "name": texts[name], "says": texts[says],
            "size": f"{plural(bits, 'bit')}, {carried or 'none'} sent",
            "source": texts[source], "cite": page["cites"][cite],
        }  # fmt: skip
