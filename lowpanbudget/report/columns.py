"""What the columns of tables on screens say, by the command that shows them."""

from typing import Any

from lowpanbudget.capture.row_columns import COLUMNS as ROWS

_FLOW = {
    "flow": "The flow, by its name in the design.",
    "hop": "The hop of the flow: its first, or one where the frame is forwarded; along a tree, hops from the root.",
    "direction": "Whether the flow goes up to the root, down from it, across, or to many.",
    "room": "Octets of your own that fit in one frame: explain room.",
}
_UNITS = "in seconds or milliseconds, as the title says"
_PLAYED = "where it was played, to the digit that the simulation leaves open, >: too few were played to tell more"

COLUMNS: dict[str, dict[str, str]] = {
    "budget": {
        **_FLOW,
        "of frame": "The share of the largest frame that the room is.",
        "headers, then room": "The frame drawn to scale.",
        "verdict": "Whether the flow carries the octets that were asked for.",
        "carries": "The octets that it carries.",
        "its worst hop": "The hop with the least room.",
        "hops": "Numbers of hops that leave the same room.",
        "first hop": "Room on the first hop.",
        "forwarded": "Room where the frame is forwarded.",
        "room on the worst hop": "The smaller of the two, drawn to scale.",
    },
    "sweep": {
        "room": "The room that these settings leave.",
        "conditions": "How many things must hold for them.",
        "changes": "What differs from the design.",
        "axis": "A setting that was varied.",
        "value": "One value of it.",
        "least": "The least room of the settings with this value that protect no less than the design; of a value that "
        "protects less itself, of all that have it.",
        "most": "The greatest room of the same settings.",
    },
    "fit": {
        **_FLOW,
        "verdict": "Whether the message fits in one frame, or in as many as its flow allows.",
        "octets": "The message at its greatest.",
        "frames": "How many frames it takes.",
        "in one frame": "How many readings fit in one frame together.",
        "bits": "Where the field stands, in bits from the first.",
        "size": "The bits that it takes.",
        "field": "The field, by its name in the message.",
        "what": "Its kind, range and step.",
        "octets in all": "The whole message with this option of its union, from the least to the greatest.",
    },
    "airtime": {
        "flow": _FLOW["flow"],
        "message": "The message, by its name in the design; of upkeep, what the network sends for itself.",
        "frames": "Frames of one message.",
        "µs on air": "Microseconds that all frames of one message are on the air, each sent once.",
        "sent each": "How long from one message of a node to the next; readings that it collects are counted.",
        "duty": "The share of the time in which that keeps one sender on the air: of the hop with more.",
        "µJ": "Microjoules that it costs the sender: typical, of the hop with more; of a part, of that part.",
        "at µs": "Microseconds since the sender began.",
        "takes": "Microseconds of this part.",
        "octets": "Octets of this part.",
        "part": "A wait, or a piece of the frame.",
        "sender": "What the radio of the sender does meanwhile.",
        "receiver": "What the radio of the receiver does meanwhile.",
        "least-most": "The least and the most energy that the values of the radio allow.",
    },
    "carry": {
        "checked": "What was looked at: what decides stands first.",
        "where most": "The node, link or flow that comes nearest to its limit, or is furthest beyond it.",
        "what": "What is there, and what the design or its own limits ask for.",
        "change": "A change of the design, tried alone.",
        "then": "What decides with this change.",
        "takes": "What the change costs elsewhere.",
        "flow": _FLOW["flow"],
        "message": "The message, by its name in the design.",
        "reading each": "Seconds between two readings of a node (every_s of the flow).",
        "together": "Readings that go in one message.",
        "sent each": "How long from one message of a node to the next.",
        "frames": "Frames of one message, on its first hop.",
        "hop": "Hops from the root.",
        "busiest": "The node of this hop with most to send, and of how many.",
        "behind": "Nodes whose messages go through it.",
        "tries/h": "Frames an hour to its parent, sent again where one was lost or hit by another.",
        "cells": "Cells a slotframe to the parent that it needs, of those that it has; only in slots.",
        "used": (
            "In slots the share of the cells to the parent that is taken; where nodes listen first, the share of the "
            "time in which the node hears the channel taken, by itself or by others. Over 100 % is more than there is: "
            "what cannot be sent waits or is lost."
        ),
        "queue": "Frames that wait in the node on average, the one that is being sent included.",
        "on air": "The share of the time in which the node sends, answers to what it receives included.",
        "µA": "The mean current of the node in microamperes, typical.",
        "days": "How long its battery lasts, least to most where the design gives ranges.",
        "arrive": "The share of messages that arrives over all hops, full queues counted; losses are independent.",
        "in runs": "The same where losses come in runs (loss.runs).",
        "±": "How far a simulation may be off, with 95 % confidence.",
        "places": "The share that finds a place in every queue on the way.",
        "half s (half ms)": f"Half of what arrives is there in so long, {_UNITS}; {_PLAYED}.",
        "95 % s (95 % ms)": f"95 of 100 messages that arrive are there in so long, {_UNITS}; {_PLAYED}.",
        "99 % s (99 % ms)": f"99 of 100 messages that arrive are there in so long, {_UNITS}; {_PLAYED}.",
        "queues s (queues ms)": f"What waiting in queues adds on average, {_UNITS}; <: less than that, as far as "
        "it was played; +: on top of the times beside it.",
        "in time": "The share of all messages that is there within limits.latency_s.",
        "quiet": "The share that would arrive if no other node ever sent: a bound.",
        "quiet 99 % s (quiet 99 % ms)": f"The same bound for 99 of 100 messages, {_UNITS}.",
    },
    "carry --csv": {
        "name": "The node.",
        "parent": "The node that it sends to.",
        "own_per_s": "Messages of its own a second.",
        "own_frames_per_s": "Frames a second of these and of its own upkeep.",
        "frames_per_s": "Frames a second to its parent, of all that it carries.",
        "tries_per_s": "Frames a second to its parent, each as often as it is sent.",
        "tries_down_per_s": "Tries a second on the link from its parent.",
        "cells_needed": "Cells a slotframe to the parent that it needs; empty without slots.",
        "cells": "Cells a slotframe to the parent that it has.",
        "cells_needed_down": "Cells a slotframe from the parent that it needs.",
        "cells_down": "Cells a slotframe from the parent that it has.",
        "shared_frames": "Frames of a slotframe that are sent to all near it.",
        "queue_frames": "Frames that wait in it on average.",
        "queue_wait_s": "Seconds from joining its queue to the last try, on average.",
        "queue_full": "The share of what comes that finds no place in its queue.",
        "duty_cycle": "The share of the time in which it sends.",
        "current_ua.least": "Its mean current in microamperes, the least that the design's ranges give.",
        "current_ua.typical": "Its mean current in microamperes, typical.",
        "current_ua.most": "Its mean current in microamperes, the most that the design's ranges give.",
        "battery_days.least": "Days that its battery lasts, the least that the design's ranges give.",
        "battery_days.typical": "Days that its battery lasts, typical.",
        "battery_days.most": "Days that its battery lasts, the most that the design's ranges give.",
        "always_listens": "Whether its radio is never off.",
    },
    "carry --burst": {
        "packet": "The number of the packet in the burst.",
        "sent s": "Seconds from the first packet to this one.",
        "arrives": "The share of runs in which it arrives.",
        "in time": "The share of runs in which it is there before all_in_s is over.",
        "half s": "Seconds until it is there, in half of the runs in which it arrives.",
        "95 % s": "Seconds until it is there, in 95 of 100 of them.",
        "queue full": "The share of runs in which it finds a queue full.",
        "on link": "The share in which it is lost on a link: after its last retry, or for want of a free channel.",
        "node": "A node on the way.",
        "most waiting, mean": "The greatest queue of a run, on average of all runs.",
        "most seen": "The greatest queue of any run.",
        "packets lost here": "Packets of the burst that find this queue full, on average.",
        "lost on its link": "Packets that its link loses, on average.",
        "no free channel": "Those of them that are never sent, for want of a free channel.",
    },
    "carry --burst --csv": {
        "number": "The number of the packet in the burst.",
        "sent_s": "Seconds from the first packet to this one.",
        "in_time": "The share of runs in which it is there before all_in_s is over.",
        "lost_queue": "The share of runs in which it finds a queue full.",
        "lost_link": "The share in which it is lost on a link: after its last retry, or never sent (lost_access).",
        "lost_access": "The part of that in which it is never sent, for want of a free channel.",
        "median_s": "Seconds until it is there, in half of the runs in which it arrives.",
        "most_s": "Seconds until it is there, in 95 of 100 of them.",
    },
    "measure": {
        "what": "The number that the design states and the capture shows.",
        "of": "Which flow, link or node it is of.",
        "planned": "What the design states or what follows from it.",
        "seen": "What the capture shows.",
        "why": "What makes it too much or too little, or why nothing can be said.",
        "message": "The message and where it comes from.",
        "arrived": "Messages that arrived, of those that were sent.",
        "95 % sure": "Where the share before it lies, two-sided, at 95 % confidence; what was not heard may be in it.",
        "every s": "Seconds from one message to the next: the one in the middle, and how much they differ.",
        "hops": "Hops that it took.",
        "took s": "Seconds from the first bit of its first try to the last bit of the one that arrived (its first bit "
        "without a design): the middle.",
        "95 % in": "The same for 95 of 100.",
        "from": "The sender.",
        "to": "The receiver.",
        "frames": "Frames that were seen, each counted once.",
        "tries": "How often a frame was sent on average.",
        "heard": "The share of tries whose acknowledgement was heard here.",
        "never": "Frames whose tries were used up or refused.",
        "node": "The node, by its address or its name in the design.",
        "answers": "Acknowledgements that it sent.",
        "on air ms": "Milliseconds that it was on the air in all.",
        "duty": "The share of the time that it was on the air.",
        "worst": "The same in the worst window of the design's limits.",
        "missed": "Of the numbers of its frames, those that were not seen here.",
    },
    "survey": {
        "frames": "How many frames.",
        "reason": "Why they were not read further.",
        "from": "When a step of time begins.",
        "nodes": "How many nodes sent in it.",
        "node": "Who sent.",
        "octets": "Octets of all frames.",
        "lost": "Numbers of frames that are missing.",
    },
    "survey --json": {
        "application": "Octets that applications sent in whole datagrams.",
        "unused": "Octets of room left in data frames, up to the largest frame and the MTU. Without a design the "
        "largest frame has 127 octets, or 2047 where the frame is longer or has an FCS of 4; the MTU is 1280.",
        "assumed": "The largest frames that room was counted to, where no design tells it.",
        "avoidable": "Octets that the shortest legal encoding of the same datagrams would have saved, in byte code "
        "only where they have it.",
        "byte_code": "Octets of generic header compression (RFC 7400) in the frames.",
        "expanded": "Octets of headers and payload that byte_code stands for.",
        "retransmissions": "Frames that came again under the same sequence number; sealed ones that nobody here "
        "opens, octet for octet.",
        "duplicates": "Data frames to one node with the contents of another one under a new sequence number, at most "
        "0.1 s later: of 5 octets or more, and no acknowledgement of the first was heard.",
        "assembled": "Datagrams in fragments that became whole.",
        "dropped": "Datagrams in fragments that never became whole.",
        "given_up": "Those of the dropped ones that made room for others.",
        "cut": "Those of the dropped ones of which the capture cut a fragment off: they may have become whole.",
        "unread": "Frames that could not be read to their end.",
        "damaged": "Frames whose check sequence is wrong.",
    },
    "survey --table": {name: f"{text[0].upper()}{text[1:]}." for name, text in ROWS.items()},
    "annotate": {
        "frame": "The number of the frame in the capture.",
        "time": "Seconds since the first frame.",
        "from": "Who sends; of a restored field, what it was restored from.",
        "to": "Who is to receive.",
        "size": "Octets of the frame.",
        "room": "Octets that are left up to the largest frame and the MTU. Without a design the largest frame has 127 "
        "octets, or 2047 where the frame is longer or has an FCS of 4; the MTU is 1280.",
        "carries": "What is in it, the innermost last.",
        "octet": "Where the field begins, counted from 0.",
        "bits": "Its bits in the octet, or how many octets.",
        "sent": "The octets as they were sent.",
        "name": "The field, as its standard calls it.",
        "value and meaning": "What it says.",
        "clause": "The section of the standard that puts it there.",
        "made smaller by": "What would leave it out or make it shorter.",
        "carried": "The octets in line that a restored field came from.",
        "field": "The field of the restored header.",
        "restored to": "Its value there.",
    },
    "weigh": {
        "field": "The field, by its name in the message.",
        "bits": "Bits that it takes, with those that come with it.",
        "without it": "What the message would be shorter by.",
        "it gives": "What it tells.",
        "one bit less": "What it would tell with one bit less.",
        "one octet less": "What it would tell with one octet less, where all fields take whole octets.",
        "size": "Octets of a smaller message.",
        "loss": "What it tells less exactly.",
        "changes": "What makes it so small.",
    },
    "compatible": {
        "field": "A field that changed.",
        "change": "How it changed.",
        "verdict": "What receivers of the old format do with this change alone (all together decide, above the table): "
        "read right; right in another unit (the same octets and quantity, as 30 % and 0.3); right as a prefix (only "
        "those that ignore octets after their last field); refused; misread; may be misread: no such message was "
        "found, and nothing proves that there is none; not judged: the change cannot be made alone.",
        "an old receiver reads": "What it takes it for, or why it refuses it.",
        "bits": "Bits that the greatest message grows by (+), or shrinks by (-).",
    },
    "encodings": {
        "encoding": "Another way to send the same values.",
        "least": "Octets with the numbers nearest to 0, the fewest elements and no optional field.",
        "typical": "Octets of typical values.",
        "greatest": "Octets with the numbers furthest from 0, all elements and fields.",
        "largest of any": "Octets that no values go beyond.",
        "values come back": "Whether the receiver reads just what was sent.",
    },
    "unpack": {
        "field": "The field, by its path in the message.",
        "value": "Its value.",
        "unit": "Its unit.",
        "remark": "What is special about it.",
    },
}


def explained_command(command: str, does: str) -> dict[str, Any]:
    """Return what a command does, and what the columns of its tables say, as the explanation of a term.

    Those of other tables than that of the screen have behind them the options that ask for it.
    """
    found = {"term": f"lowpanbudget {command}", "kind": "command", "text": does}
    rows = [
        {"column": f"{name} {options}".rstrip(), "says": text}
        for shown, columns in COLUMNS.items()
        for program, _, options in [shown.partition(" ")]
        if program == command
        for name, text in columns.items()
    ]
    return found | ({"rows": rows} if rows else {})


def explained_column(name: str, command: str, text: str) -> dict[str, Any]:
    """Return what a column says as the explanation of a term."""
    return {"term": f"{name}, a column of {command}", "kind": "column", "text": text}
