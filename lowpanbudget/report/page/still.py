"""What stands in a page without its script: the frame of the first flow and hop, and every table of it.

The rows of fields are those that the page's script draws at 32 bits a row.
"""

from collections.abc import Iterator
from math import prod
from typing import Any

from lowpanbudget.errors import plural
from lowpanbudget.report.figure import fields_of, rows_of, runs_of
from lowpanbudget.report.svg.looks import LOOKS
from lowpanbudget.report.view import Data


def still(page: Data, flow: int = 0, hop: int = 0) -> Data:
    """Return the frame of a flow on a hop, as the design has it, in rows of pieces, and the rows of its tables."""
    shown = page["flows"][flow]
    figure = _figure(page, shown["frames"][0][hop], shown["restored"][0][hop])
    octets = sum(field["bits"] for field in figure["fields"]) // 8
    return {
        "answer": _answer(shown, hop, octets),
        "reckoned": _reckoned(shown, hop, octets, *page["links"][shown["links"][0][hop]]),
        **figure,
        "cautions": shown["hops"][hop]["cautions"],
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


def _answer(flow: Data, hop: int, octets: int) -> str:
    room, where = flow["rooms"][0][hop], f"{flow['name']}, {flow['hops'][hop]['name']} hop"
    if room < 0:
        return f"On {where}, nothing fits: the headers alone are {plural(-room, 'octet')} over."
    headers = f"{plural(octets - room, 'octet')} of {octets}"
    return f"On {where}, one frame carries {plural(room, 'octet')} of your data: {headers} are headers and trailer."


def _reckoned(flow: Data, hop: int, octets: int, largest: int, left: int) -> str:
    """Return what the link takes of its largest frame, and what other headers take of the rest."""
    headers = octets - max(flow["rooms"][0][hop], 0) - (largest - left)
    return (
        f"On the {flow['hops'][hop]['name']} hop of {flow['name']} the link's own header and trailer take "
        f"{largest - left} of {largest} octets and leave {left}; other headers take {headers} of those."
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
        look = "room" if is_padding else f"k{message['names'].index(name) % LOOKS}"
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
