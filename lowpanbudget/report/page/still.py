"""What stands in a page without its script: the frame of the first flow on the hop that decides, and every table of it.

The rows of fields are those that the page's script draws at 32 bits a row.
"""

from collections.abc import Iterator
from math import prod
from typing import Any

from lowpanbudget.errors import plural
from lowpanbudget.report.figure import fields_of, rows_of, runs_of
from lowpanbudget.report.view import Data


def still(page: Data, flow: int = 0, hop: int | None = None) -> Data:
    """Return the frame of a flow on a hop, as the design has it, in rows of pieces, and the rows of its tables.

    Without a hop it is the one that decides what goes in one frame all the way: the one with the least room.
    """
    shown = page["flows"][flow]
    rooms = shown["rooms"][0]
    hop = rooms.index(min(rooms)) if hop is None else hop
    figure = _figure(page, shown["frames"][0][hop], shown["restored"][0][hop])
    octets = sum(field["bits"] for field in figure["fields"]) // 8
    return {
        "answer": _answer(shown, hop, octets),
        "reckoned": _reckoned(shown, hop, octets, *page["links"][shown["links"][0][hop]]),
        **figure,
        "cautions": shown["hops"][hop]["cautions"],
        "payload_of": _payload_of(shown, hop),
        "cliff_hops": [one["name"] for one in shown["hops"]],
        "cliffs": list(_cliffs(page, shown)),
        "alone_of": _alone_of(shown, hop),
        "alone": list(_alone(page, shown, hop)),
        "bits": {one["id"]: list(rows_of(_bits(page, one))) for one in page["messages"]},
    }


def still_frame(page: Data) -> Data:
    """Return the frame that the page of a capture shows first: one that the worst finding names, else the first."""
    if not page["drawn"]:
        return {
            "number": 0, "title": "None", "fields": [], "rows": [], "runs": [], "absent": [], "contents": [],
        }  # fmt: skip
    named = (number for one in page["findings"] for number, drawn in one["frames"] if drawn)
    worst = next(named, page["drawn"][0]["number"])
    frame = next(one for one in page["drawn"] if one["number"] == worst)
    title = f"Frame {frame['number']}: {page['texts'][frame['kind']]}, {plural(frame['octets'], 'octet')}"
    coded = fields_of(page, frame["contents"], frame["contents_at"])
    return {
        "number": worst,
        "title": title,
        **_figure(page, frame["frame"], frame["restored"]),
        "contents": list(runs_of(coded)),
    }


def _figure(page: Data, frame: list[int], restored: int) -> Data:
    fields = fields_of(page, frame)
    return {
        "fields": fields,
        "rows": list(rows_of(fields)),
        "runs": list(runs_of(fields)),
        "absent": list(_absent(page, restored)),
    }


def _answer(flow: Data, hop: int, octets: int) -> tuple[str, str, str]:
    """Return what one frame carries all the way, in the words before what is set in bold, that, and those behind it.

    Who writes a program sends what goes in one frame on every hop: the hop with the least room decides.
    """
    rooms, names = flow["rooms"][0], [one["name"] for one in flow["hops"]]
    least = min(rooms)
    others = [
        f"{_carried(room)} on the {name}"
        for room, name in zip(rooms, names, strict=True)
        if room > least
    ]
    more = "".join(f"; {words}" for words in others)
    if least < 0:
        where = names[rooms.index(least)]
        over = f"{plural(-least, 'octet')} over on the {where} hop"
        return f"On {flow['name']}, ", "nothing fits", f": the headers alone are {over}{more}."
    drawn = f"On the {names[hop]} hop, drawn here" if len(rooms) > 1 else "Of the frame"
    headers = f"{octets - max(rooms[hop], 0)} of {plural(octets, 'octet')} are headers and trailer"
    every = " on every hop" if len(rooms) > 1 else ""
    carried = f"{plural(least, 'octet')} of your data"
    return f"On {flow['name']}, one frame carries ", carried, f"{every}{more}. {drawn}, {headers}."


def _carried(room: int) -> str:
    return f"{-room} over" if room < 0 else str(room)


def _payload_of(flow: Data, hop: int) -> str:
    return f"Of {flow['name']}, {flow['hops'][hop]['name']} hop, as drawn above; the table has every hop."


def _cliffs(page: Data, flow: Data) -> Iterator[list[int | None]]:
    """Yield a number of frames, and for each hop the largest payload that goes in them; None where none does."""
    by_hop = []
    for room, at in zip(flow["rooms"][0], flow["cliffs"][0], strict=True):
        fullest = [(room, 1)] if room >= 0 else []
        by_hop.append({frames: most for most, frames in (*fullest, *page["further"][at])})
    for frames in sorted(set().union(*by_hop)):
        yield [frames, *(cliffs.get(frames) for cliffs in by_hop)]


def _reckoned(flow: Data, hop: int, octets: int, largest: int, left: int, mtu: int) -> str:
    """Return what the link takes of its largest frame, and what other headers take of the rest."""
    headers = octets - max(flow["rooms"][0][hop], 0) - (largest - left)
    empty = largest - octets if mtu else 0
    return (
        f"On the {flow['hops'][hop]['name']} hop of {flow['name']} the link's own header and trailer take "
        f"{largest - left} of {largest} octets and leave {left}; other headers take {headers} of those."
        + (
            f" {empty} stay empty: the MTU (network.mtu) ends datagrams at {mtu} octets, headers in full."
            if empty
            else ""
        )
    )


def _alone_of(flow: Data, hop: int) -> str:
    room = f"{plural(flow['rooms'][0][hop], 'octet')} of room as the design has it"
    return (
        f"Of {flow['name']}, {flow['hops'][hop]['name']} hop: {room}, and with one change so many."
    )


def _bits(page: Data, message: Data) -> list[Data]:
    """Return the fields of a message as those of a frame."""
    fields: list[Data] = []
    offset = 0
    for name, bits, is_padding in message["fields"]:
        look = "room" if is_padding else f"k{message['names'].index(name) % page['looks']}"
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


def _absent(page: Data, number: int) -> Iterator[dict[str, Any]]:
    texts = page["texts"]
    for one in page["lists"][number]:
        header, name, says, bits, carried, source, cite = page["absent"][one]
        yield {
            "header": texts[header], "name": texts[name], "says": texts[says],
            "size": f"{plural(bits, 'bit')}, {carried or 'none'} sent",
            "source": texts[source], "cite": page["cites"][cite],
        }  # fmt: skip
