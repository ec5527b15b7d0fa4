"""What each command prints as JSON: the classes of Python's values in it, and every name that is no name of theirs.

Names that mean what Python calls otherwise stand here in words. Names are only added: a meaning that changes raises the
version.
"""

from typing import NamedTuple

from lowpanbudget.cli.schema_words import SCHEMA_WORDS


class JsonNames(NamedTuple):
    """The ``classes`` whose names a command prints, with those in them, and its ``other`` names in words."""

    classes: str
    other: dict[str, str]


COMMON = {
    "version": "that of all these names and meanings, 1: raised when one changes, not when one is added",
    "fault": "in place of everything else where there is no result: the error, as RequestError and WireError have it",
    "command": "in a fault: what was called",
    "exit_code": "in a fault: with what the command ends",
    "message": "in a fault: what is wrong",
    "hint": "in a fault: what to try",
    "kind": "in a fault: the class of the error",
    "offset": "in a fault: at which octet",
    "layer": "in a fault: in which layer",
    "cite": "in a fault: the clause of the standard",
    "faults": "in a fault: all that is wrong in a design file, each with what Fault has",
    "file": "of one of faults: the file",
    "line": "of one of faults: the line in the file",
    "column": "of one of faults: the place in the line",
    "key": "of one of faults: the key of the design",
}
_FINDINGS = {
    "findings": "a list of Finding",
    "link": "of a finding: where its cite can be read, Finding.cite.link",
    "has_weight": "of a finding: whether it makes the answer no, Finding.has_weight",
}
_HEARD = {
    "receivers": "what each of several receivers heard: receptions in Python, Reception",
    "heard_by_others": "of a receiver: how many of its frames others heard as well, Reception.heard_by_others",
}
_CAPTURE = {"capture": "the file as it was named"}
_FRAME = {
    "kind": "of a header in layers, of a message and of an option: its class, whose other names are those of the "
    "header's fields (explain HEADER); of an options header its number: 0 hop-by-hop, 60 destination",
    "nhc": "of an Iphc in layers: whether the next header is compressed as well, its bit NH",
    "contexts": "of an Iphc in layers: the numbers of the contexts that source and destination use; null for none",
    "generic": "of a compressed next header in layers: whether byte code (GHC) carries it or its data",
}
_WRITTEN = _CAPTURE | {
    "output": "the file written",
    "written": "how many records it has",
    "left_out": "how many frames were left out, by reason: LeftOut.reasons",
    "notices": "what reading the capture noticed: a list of ReadingNotice",
}

_FINDING, _RECEPTION = "Finding", "Reception"
_NOTICE = "ReadingNotice"
_MESSAGE = {
    "message": "the name of the message",
    "octets": "its octets",
    "values": "its values by field, as a receiver reads them",
    "units": "the unit of each field that has one",
}
_FILE = {"file": "the file written", "octets": "how many octets it has"}
_OF_CASES = {
    "least": "of the message with numbers nearest to 0 and as little else as may be",
    "typical": "of one with typical values",
    "greatest": "of one with numbers furthest from 0 and all that may be there",
}
_CAUTION = {"caution": "what to keep in mind with these numbers"}
NAMES = {
    "airtime": JsonNames(
        f"MessageAirtime {_FINDING}",
        {
            "airtime": "a list of MessageAirtime, hop by hop",
            "fits": "MessageAirtime.fits: whether it can be made, and keeps to the slot and to the design's limits",
            "over": "MessageAirtime.over: in words, why it cannot be made, and which limits it breaks",
        }
        | _FINDINGS
        | _CAUTION,
    ),
    "annotate": JsonNames(
        f"Frame Comparison FrameList {_RECEPTION} {_NOTICE}",
        {
            "frames": "a list of Frame, each with what CapturedFrame has beside it",
            "list": "with --list: FrameList.frames, each a ListedFrame",
            "from": "with --list: ListedFrame.source as it is shown and asked for",
            "to": "with --list: ListedFrame.destination as it is shown and asked for",
            "time_s": "with --list: seconds from the first frame of the capture",
            "notices": "of the whole: what reading the capture noticed, ReadingNotice; of a frame: Frame.notices",
            "place": "where a frame stands: its file and number, or its line",
            "layers": "Frame.layers: the headers read, outermost first",
            "restored": "the fields of CapturedFrame.restored, each with the source that it was restored from",
            "restored_in": "the frame that brought the headers restored, where it is another",
            "contents": "what byte code (GHC) of this frame stands for, span by span",
            "shortest": "CapturedFrame.shortest: a Comparison, or the reason why there is none",
            "header": "of a field restored: the name of its header; of an Iphc in layers: the one that it stands for",
            "depth": "of a field restored: how many headers its header stands in",
            "carried": "of a field restored: its bits on the air",
            "octet": "of a field restored: at which octet they stand",
            "says": "of a field restored: its value as text",
            "saved": "of shortest: the octets that it would save, Comparison.saved",
            "reason": "of shortest: why there is none",
            "message": "CapturedFrame.message: flow, message and values in the design, as Matched has them",
            "values": "of a message: Matched.readings, a list of MessageValue",
            "sealed": "of a message: whether it is sealed, Matched.sealed",
            "others": "of a message: other messages that it may be, Matched.others",
            "received": "CapturedFrame.received: what the capture tells of reception",
            "status": "CapturedFrame.status", "cut_by": "CapturedFrame.cut_by",
            "retransmission_of": "CapturedFrame.retransmission_of", "copy_of": "CapturedFrame.copy_of",
            "brought_by": "CapturedFrame.brought_by, where there are several",
            "whole_datagram": "the octets of CapturedFrame.datagram where several frames brought it",
            "whole_contents": "what the headers of that datagram carry, span by span, where it can be read",
            "never_whole": "CapturedFrame.never_whole",
        }
        | _FRAME
        | _HEARD,
    ),
    "audit": JsonNames(
        f"CaptureFindings {_FINDING} {_RECEPTION}",
        {"audit": "a list with the CaptureFindings of each capture",
            "networks": "CaptureFindings.networks: PANs; findings name none where it is the first",
        } | _CAPTURE | _HEARD | _FINDINGS,
    ),
    "budget": JsonNames(
        f"Budget Carrying CutFrame RoomByHops {_FINDING}",
        {
            "budget": "a list of Budget, hop by hop",
            "carrying": "with --octets: a list of Carrying",
            "cut": "of one of carrying: hop by hop the frames of its octets, each a CutFrame (Budget.cut); none where "
            "they cannot be sent",
            "hops": "with --hops: a list of RoomByHops",
            "cliffs": "Budget.cliffs(): pairs of the largest payload in octets and the frames that it takes",
            "beyond_mtu": "Budget.beyond_mtu: octets of the largest frame that no datagram reaches, or 0",
        }
        | _FINDINGS,
    ),
    "carry": JsonNames(
        f"CarriedNetwork BurstPlan HelpfulChange ChangesTogether {_FINDING}",
        {
            "carry": "the CarriedNetwork",
            "burst": "with --burst: the BurstPlan",
            "answer": "yes, no or open: of the whole",
            "says": "the answer in words, with what decides and what is not counted",
            "fails": "why the design fails, whatever its loads",
            "helps": "a list of HelpfulChange",
            "helps_together": "a ChangesTogether, of what is enough where no change alone is; null: none was found",
            "arrives": "of services: HopService.arrives, of all messages; of a packet: PacketPlan.arrives",
            "is_unchecked": "CarriedNetwork.is_unchecked: all that was looked at holds, and too little was",
            "parts_ua": "CarriedNode.parts_ua: microamperes by what the radio does",
            "access": "of ContentionResult.lost: messages whose frames found the channel busy to the last try",
            "queue": "of ContentionResult.lost: those whose frame found a queue full",
            "retries": "of ContentionResult.lost: those whose frame was not acknowledged to the last try",
        }
        | _FINDINGS
        | _CAUTION,
    ),
    "compatible": JsonNames("FormatComparison", {"compatible": "a list of FormatComparison, message by message"}),
    "compress": JsonNames("Compressed", {}),
    "decompress": JsonNames(
        "Decompressed",
        _FRAME | {"header": "of an Iphc in layers: the IPv6 header that it stands for"},
    ),
    "encodings": JsonNames(
        "Alternative",
        {
            "encodings": "a list of Alternative",
            "octets": "Alternative.octets: the size for each case",
            "exact": "Alternative.exact: whether all values come back as they were",
        }
        | _OF_CASES,
    ),
    "explain": JsonNames(
        "",
        {
            "found": "the explanations of a term: what Explanation.data has",
            "term": "what was asked for; of an explanation: its name",
            "name": "of a table, key, field or section", "names": "the names of tables about one thing",
            "text": "what a word is, what a section of a manual says",
            "says": "what a column or name tells", "of": "the class of Python's value that has a name",
            "meaning": "what a key, field or value means", "about": "what tables are about",
            "words": "without TERM: the words", "columns": "without TERM: the columns of screens",
            "design": "without TERM: the tables of design files", "key_files": "without TERM: those of key files",
            "kinds": "without TERM: the kinds of fields of messages", "tables": "without TERM: the tables of headers",
            "headers": "without TERM: their names alone", "findings": "without TERM: the findings",
            "documents": "without TERM: the standards", "keys": "of a table of a file",
            "takes": "of a key: what it may be", "needed": "of a key: whether it must be",
            "default": "of a key: what it is where it is left out", "rows": "of a table: its rows",
            "bits": "of a field: how wide it is", "octets": "of a header or row: how many",
            "bit_order": "of a header: from which end its bits count", "fields": "of a header",
            "choices": "of a header: what its selector bits choose", "code": "of a row: the value of these bits",
            "reserved": "of a row: whether a standard keeps it back", "carries": "of a row: what is in line",
            "clause": "of a standard", "is the source of": "of a clause: what rests on it here",
            "severity": "of a finding", "certainty": "of a finding", "sections": "of the manual of a finding",
            "link": "where a clause can be read", "others": "what else has the name",
            "also": "of a word: others to ask for",
            "see": "of a word: others that it needs or that need it", "written": "of a kind of field: an example",
            "first_bit": "of a field of a header: where it begins",
            "fixed": "of a field: its bits where they never change",
            "values": "of a field: what its values mean", "value": "of one of values: which, or from which to which",
        },
    ),
    "expand": JsonNames(
        _NOTICE,
        {
            "expand": "what became of the capture",
            "kind": "what was written: datagrams or frames",
            "fragmented": "datagrams begun in fragments: assembled, dropped (given_up and cut of these), as LeftOut's",
            "assembled": "LeftOut.assembled", "dropped": "LeftOut.dropped", "given_up": "LeftOut.given_up",
            "cut": "LeftOut.cut",
            "rpl_option_type_assumed": "LeftOut.assumed_type: datagrams whose RPL option has a type that nothing told",
        }
        | _WRITTEN,
    ),
    "fit": JsonNames(
        f"Fit OptionSize {_FINDING}",
        {"fit": "a list of Fit", "spare": "Fit.spare: octets of the frames that a message leaves free",
            "unmade": "Fit.unmade: why no message can be made at its rhythm, in words",
            "bitmap": "Fit.bitmap: the runs of bits of the message in order",
            "options": "Fit.options: what it takes with each option of its unions, a list of OptionSize",
            "name": "of a run of bits: the field", "role": "of a run: what its bits are of the field",
            "range": "of a run: what values it has", "step": "of a run: in which steps", "unit": "of a run: its unit",
            "elements": "of a run: how many elements of an array it stands for", "note": "of a run: what else to know",
            "padding": "of a run: how many bits only fill up", "padding_at": "of a run: where these begin"} | _FINDINGS,
    ),
    "generate": JsonNames(
        "CodeMemory",
        {
            "generate": "what was generated",
            "message": "the name of the message",
            "min_octets": "the fewest octets of a message", "max_octets": "the most",
            "files": "the files written", "path": "of a file: its name", "octets": "of a file: its size",
            "vectors": "Generated.vectors: how many test vectors the source has",
            "float": "whether it has functions with floating point",
            "memory": "Generated.memory, a CodeMemory in octets",
        },
    ),
    "init": JsonNames("", {"init": "what was written", "design": "the text, where no file is named"} | _FILE),
    "measure": JsonNames(
        "Measurement",
        {
            "measure": "a list with the Measurement of each capture",
            "networks": "Measurement.networks: PANs; the first is the one that was measured",
            "outside_plan": "Measurement.is_outside: whether something is outside of the plan",
            "left_out": "Measurement.outside: frames that were not asked for",
            "title": "MeasuredFlow.title: what a flow is called",
            "dropped": "MeasuredFlow.dropped: why some of its messages cannot arrive, in words",
            "text": "of put_back and leap: the same in words",
            "notices": "Measurement.notices: what reading the capture noticed",
        }
        | _CAPTURE
        | _HEARD,
    ),
    "pack": JsonNames("", _MESSAGE | {"rounded": "values that were rounded: path, given, sent"}),
    "page": JsonNames(
        "",
        {
            "page": "what was written",
            "flows": "flows on the page of a design",
            "combinations": "combinations of settings that it has",
            "frames": "frames of the capture",
            "drawn": "those that are drawn",
            "left_out": "those that the page has no room for",
        }
        | _FILE,
    ),
    "schema": JsonNames("", SCHEMA_WORDS),
    "shrink": JsonNames(
        _NOTICE,
        {
            "shrink": "what became of the capture", "next": "what the next frames go on with",
            "in_headers": "Shrinker.in_headers: datagrams that kept what RPL adds as IPv6 headers",
            "stand_in": "Shrinker.stand_in: the link address that stands for a node of a mesh which nobody named",
            "frame_counter": "Counters.frame_counter", "asn": "Counters.asn",
        }
        | _WRITTEN,
    ),
    "survey": JsonNames(
        f"Tally FlowKey Activity {_RECEPTION} {_NOTICE}",
        {
            "survey": "the Survey of all captures together",
            "notices": "what reading a capture noticed: a list of ReadingNotice",
            "captures": "each capture: its frames, notices, and what was found at their ends",
            "ends": "what was found at the end of its frames (FCS), where it is not as the link type claims",
            "by_columns": "how many of its frames were counted by columns",
            "outside": "Survey.outside: frames that were not asked for",
            "assumed": "Survey.assumed: the largest frames that room was counted to, where no design says",
            "total": "Survey.total, a Tally",
            "flows": "Survey.flows: the FlowKey of each and its Tally",
            "nodes": "Survey.nodes: a Tally for each",
            "kinds": "Survey.kinds: a Tally for each kind of frame",
            "name": "of a flow, node or kind", "address": "of a node, as it is shown and asked for",
            "networks": "Survey.networks: frames of each PAN", "network": "its PAN, where there are several",
            "in_design": "the flow of the design that it is",
            "natures": "Survey.natures: what each layer is: header, payload, sealed",
            "reasons": "Survey.reasons: how many frames could not be read, by reason",
            "series": "Survey.series, a TimeSeries", "cells": "TimeSeries.cells: the Activity of a node in a step",
            "start_ns": "when a step begins, in nanoseconds since 1970",
            "every_s": "the length of a step in seconds", "asked_s": "the length that was asked for",
            "untimed": "TimeSeries.untimed: frames without a time",
        }
        | _CAPTURE
        | _HEARD,
    ),
    "sweep": JsonNames(
        "Sweep",
        {
            "sweep": "a list of Sweep, flow by flow",
            "ids": "SweptSetting.ids: what names its changes",
            "cautions": "SweptSetting.cautions: what weakens protection in it",
            "conditions": "SweptSetting.conditions: what must hold for it",
            "octets": "with --octets: how many were asked for",
            "carrying": "with --octets: how many settings carry them, Sweep.carrying(octets)",
        },
    ),
    "unpack": JsonNames(
        "",
        _MESSAGE
        | {
            "place": "where the message stands in its file",
            "notice": "what is odd: bits that only fill up, and are not zero",
        },
    ),
    "weigh": JsonNames("Weighing", {"weigh": "a list of Weighing, message by message"}),
}  # fmt: skip
