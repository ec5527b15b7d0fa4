"""What public functions return refuses to be changed, at any depth; readers and counters let nothing be set."""

import copy
import dataclasses
import inspect
import pickle
import re
import struct
from collections.abc import Callable, Iterable, Iterator
from enum import Enum
from pathlib import Path
from typing import Any

import pytest
from contract import air
from public_inner import KEPT, is_offered
from vector_files import document

import lowpanbudget
from lowpanbudget import (
    CaptureFile,
    CaptureFrames,
    CoapMessage,
    Command,
    Complete,
    Compressed,
    Contexts,
    Decoder,
    Decompressed,
    Difference,
    Discarded,
    DoesNotFit,
    Element,
    Encoded,
    Env,
    FragmentKey,
    Frame,
    Head,
    Ignored,
    Key,
    LeftOut,
    LowpanError,
    Mac,
    Nature,
    Notice,
    NotSupported,
    Packet,
    Picture,
    Reassembler,
    RecordKeys,
    RequestError,
    Restored,
    SecurityContext,
    Shrinker,
    Tally,
    TimedOut,
    airtime,
    annotate,
    audit,
    budget,
    carry,
    carry_burst,
    carrying,
    changes_that_help,
    coap_flaws,
    coap_path,
    compatible,
    compress,
    decode_datagram,
    decode_frame,
    decompress,
    design_schema,
    encode_frame,
    encodings,
    explain,
    fit,
    follow,
    frame_rows,
    generate,
    list_frames,
    load_design,
    measure,
    open_oscore_request,
    parse_design,
    protect_oscore_request,
    read_capture,
    read_coap,
    read_dtls,
    read_dtls_content,
    read_ghc,
    read_senml,
    resolve_senml,
    review,
    room_by_hops,
    shortest_form,
    show,
    split,
    survey,
    survey_files,
    sweep,
    terms,
    weigh,
)

HERE = Path(__file__).parents[1]
EXAMPLES, VECTORS = HERE / "examples", HERE / "vectors"
ARCHIVE = load_design(EXAMPLES / "archive.toml")
FOOTBRIDGE = load_design(EXAMPLES / "footbridge.toml")
NODE, ROOT = air.eui(1), air.eui(0x100)
ENV = Env(NODE, ROOT, contexts=air.CONTEXTS)
DATAGRAM = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), b"12345678")
# what headers are read with: tables of standards, shared by all frames, which are no results; and classes themselves
LAYOUTS = {
    type(head.layout)
    for frame in (decode_frame(air.A_FRAME), decode_datagram(DATAGRAM))
    for head in frame.heads
}
DEFINITIONS = (*LAYOUTS, Enum, type)


NAMES: dict[type, tuple[str, ...]] = {}


def names_of(value: object) -> tuple[str, ...]:
    """Return the public names under which a value holds something: fields and properties of its class."""
    kind: Any = type(value)
    if kind not in NAMES:
        NAMES[kind] = tuple(name for name in named_by(kind) if not name.startswith("_"))
    return NAMES[kind]


def named_by(kind: Any) -> Iterable[str]:
    names = [*getattr(kind, "_fields", ())]
    if dataclasses.is_dataclass(kind):
        names += [part.name for part in dataclasses.fields(kind)]
    if kind.__module__.startswith("lowpanbudget"):
        names += [
            name
            for base in kind.__mro__
            for name, attribute in vars(base).items()
            if isinstance(attribute, property)
        ]
    return dict.fromkeys(names)


def inside(value: Any) -> Iterator[tuple[Any, Any]]:
    """Yield what a value holds under public names: items by their key, fields and what its properties return."""
    if isinstance(value, dict):
        yield from value.items()
    elif isinstance(value, tuple | frozenset) and not hasattr(value, "_fields"):
        yield from enumerate(value)
    for name in names_of(value):
        if f"{type(value).__name__}.{name}" not in KEPT:
            yield name, getattr(value, name)
    if isinstance(value, LowpanError):
        yield from ((name, one) for name, one in vars(value).items() if name[0] != "_")


def refuses(value: Any) -> str:
    """Return what can be changed about a value, or nothing."""
    if isinstance(value, list | set | bytearray):
        return f"a {type(value).__name__}"
    if isinstance(value, dict):
        for change in (
            lambda: value.__setitem__("x", 1), lambda: value.update({"x": 1}), value.clear,
            lambda: value.setdefault("x", 1), value.popitem, lambda: value.pop("x", None),
        ):  # fmt: skip
            try:
                change()
            except TypeError:
                continue
            return "a dictionary that changes"
        return ""
    kind = type(value)
    if not kind.__module__.startswith("lowpanbudget"):
        return ""
    if isinstance(value, LowpanError):  # one that is raised can be set, one that is kept cannot
        return settable(value)
    if kind not in SETTABLE:  # a class lets it be set, or none of its values do
        SETTABLE[kind] = settable(value)
    return SETTABLE[kind]


SETTABLE: dict[type, str] = {}


def settable(value: Any) -> str:
    """Return what of a value can be set, or nothing."""
    for name in (*names_of(value), "anything"):
        try:
            setattr(value, name, getattr(value, name, None))
        except (AttributeError, TypeError):
            continue
        return f"{type(value).__name__}.{name} can be set"
    return ""


def changeable(value: Any) -> Iterator[str]:
    """Yield where something can be changed in a value, at any depth; each object is looked at once."""
    waiting: list[tuple[Any, Any]] = [((), value)]
    seen = {}
    while waiting:
        place, one = (
            waiting.pop()
        )  # a place is the one around it and the last step, told where something is found
        if isinstance(one, DEFINITIONS) or id(one) in seen:
            continue
        seen[id(one)] = one
        if not is_offered(type(one)):
            yield f"{path_of(place)}: {type(one).__name__} has no public name"
        if reason := refuses(one):
            yield f"{path_of(place)}: {reason}"
        waiting += [((place, step), item) for step, item in inside(one) if type(item) not in BARE]


# what cannot be changed, and holds nothing
BARE = {int, str, bytes, bool, float, type(None)}


def path_of(place: Any) -> str:
    """Return the steps to a place, the innermost first."""
    steps: list[str] = []
    while place:
        place, step = place
        steps.append(repr(step))
    return " in ".join(steps)


def frames_of_vectors() -> list[Frame]:
    """Return a frame for each vector that is one; octets of headers alone are read in a data frame."""
    octets: list[bytes] = []
    for path in sorted(VECTORS.rglob("*.toml")):
        for case in document(path).get("case", ()):
            whole = "wire" if path.parent.name == "ieee802154" else "frame"
            for key in (whole, "lowpan", "message"):
                if isinstance(case.get(key), str):
                    body = bytes.fromhex(case[key])
                    if (
                        key == "message"
                    ):  # of ICMPv6, in an IPv6 header that is not compressed (dispatch 0x41)
                        ipv6 = struct.pack(">IHBB", 6 << 28, len(body), 58, 255) + bytes(32)
                        body = b"\x41" + ipv6 + body
                    mac = air.mac_of(NODE, ROOT)
                    octets.append(body if key == whole else encode_frame(mac, body, fcs=0).octets)
    decoder = Decoder(contexts=air.CONTEXTS)
    return [decoder.frame(one, fcs=False) for one in octets]


def captured() -> list[Any]:
    known: Any = {"design": ARCHIVE}
    capture = EXAMPLES / "archive.pcap"
    return [
        *read_capture(capture), *follow(capture, **known), *annotate(capture, [1, 24], **known),
        survey(capture, **known, every="15 min"), *survey_files([capture]), *frame_rows(capture, **known),
        list_frames(capture, **known, until=900),
        audit(capture, **known), measure(capture, **known),
    ]  # fmt: skip


def reassembled() -> list[Any]:
    decoder = Decoder(contexts=air.CONTEXTS)
    cut = [
        decoder.frame(one)
        for one in air.frames_of(
            air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), bytes(200)), NODE, ROOT
        )
    ]
    reassembler = Reassembler()
    events = [event for frame in (cut[0], *cut) for event in reassembler.feed(frame, 1.0)]
    events += [
        *reassembler.feed(cut[0], 10.0),
        *reassembler.feed(cut[1], 100.0),
        *reassembler.close(),
    ]
    assert {type(event) for event in events} == {Complete, Discarded, Ignored, TimedOut}
    assert any(isinstance(getattr(event, "key", None), FragmentKey) for event in events)
    return events


def oscore_request() -> Any:
    node = SecurityContext.derive(air.KEY, sender_id=b"", recipient_id=b"1")
    clear = CoapMessage(type=0, code=1, mid=2, options=coap_path("/a"))
    sealed = protect_oscore_request(clear, node, sequence=3)
    root = SecurityContext.derive(air.KEY, sender_id=b"1", recipient_id=b"")
    return clear, sealed, open_oscore_request(sealed.octets, root)


RESULTS: dict[str, Callable[[], Any]] = {
    "frames of all vectors": frames_of_vectors,
    "captures": captured,
    "events": reassembled,
    "budgets": lambda: tuple(budget(ARCHIVE)),
    "swept": lambda: (
        *sweep(ARCHIVE, "alarm", weaker=True), *room_by_hops(ARCHIVE, [1, 70], "alarm"),
    ),
    "fits": lambda: tuple(fit(ARCHIVE)),
    "airtimes": lambda: tuple(airtime(ARCHIVE, "climate")),
    "networks": lambda: (carry(FOOTBRIDGE), carry_burst(FOOTBRIDGE, "hundred", runs=20)),
    "weighed": lambda: weigh(ARCHIVE),
    "encodings": lambda: tuple(encodings(ARCHIVE, "door_alarm")),
    "compared": lambda: compatible(ARCHIVE, FOOTBRIDGE),
    "generated": lambda: generate(ARCHIVE.message("climate")),
    "reviewed": lambda: review(FOOTBRIDGE),
    "explained": lambda: (explain("iphc"), explain("series"), terms()),
    "carrying": lambda: (*carrying(ARCHIVE, 90), *changes_that_help(FOOTBRIDGE, carry(FOOTBRIDGE))),
    "converted": lambda: (
        encode_frame(air.mac_of(NODE, ROOT), b"\x41"), compress(DATAGRAM, ENV),
        decompress(compress(DATAGRAM, ENV).octets, ENV),
    ),
    "what is prepared": lambda: (
        ARCHIVE, ENV, Key(air.KEY, index=1),
        Decoder(air.CONTEXTS, air.KEY, {1: NODE}, layouts={61616: ARCHIVE.message("climate")}),
    ),
    "a datagram": lambda: decode_datagram(DATAGRAM),
    "CoAP": lambda: (
        read_coap(bytes.fromhex("40017d34bb") + b"temperature"), coap_flaws(bytes.fromhex("60017d34")),
    ),
    "DTLS": lambda: (
        read_dtls(bytes.fromhex("15fefd000000000000000100020100")), read_dtls_content(b"\1\0", 21),
         RecordKeys(bytes(16), b"salt"),
    ),
    "OSCORE": oscore_request,
    "GHC": lambda: read_ghc(bytes.fromhex("049b006bde82"), "fe80::1", "ff02::1a"),
    "SenML": lambda: (
        read_senml(b'[{"bn":"a","n":"b","v":1}]'), resolve_senml(read_senml(b'[{"bn":"a","v":1}]')),
    ),
}  # fmt: skip


@pytest.mark.usefixtures("played_once")
@pytest.mark.parametrize("name", RESULTS)
def test_results_refuse_to_be_changed_and_are_copied_as_they_are(name: str) -> None:
    found = RESULTS[name]()
    items = tuple(found) if isinstance(found, list) else (found,)
    assert items
    assert list(changeable(items)) == []
    # and are copied and sent to other processes as they are
    copied = copy.deepcopy(items), pickle.loads(pickle.dumps(items))
    for number, one in enumerate(items):
        assert all(again[number] == one for again in copied), f"[{number}]: {one!r:.200}"
        assert hash(copied[1][number]) == hash(one)


def test_a_change_would_be_seen() -> None:
    frame = decode_frame(air.A_FRAME)
    assert any("list" in place for place in changeable((frame, [1])))
    assert any("changes" in place for place in changeable(({"a": 1},)))
    # a class of the package whose values can be changed
    loose = dataclasses.make_dataclass("Loose", ["value"])
    loose.__module__ = "lowpanbudget"  # from Python 3.12 on a namespace does not say it
    assert any("can be set" in place for place in changeable(({"a": loose(1)},)))


def test_a_result_that_was_sent_is_asked_on() -> None:
    frame = decode_frame(air.frames_of(DATAGRAM, NODE, ROOT)[0], contexts=air.CONTEXTS)
    assert pickle.loads(pickle.dumps(frame)).restored == frame.restored
    assert copy.copy(frame) == frame
    (swept,) = sweep(ARCHIVE, "alarm", axes={"level": [5, 6, 7]})
    there = pickle.loads(pickle.dumps(swept))
    assert there.carrying(swept.now) == swept.carrying(swept.now)
    assert list(there.rows()) == list(swept.rows())
    assert dataclasses.replace(frame, verified=True).verified
    with pytest.raises(AttributeError, match=r"Frame\.payload cannot be set"):
        frame.payload = b""


CALLERS: tuple[tuple[str, Any], ...] = (
    ("dict[", {"a": {"b": [1]}}), ("Mapping[", {"a": {"b": [1]}}), ("tuple[", [{"a": 1}]),
)  # fmt: skip


def test_values_keep_nothing_that_their_maker_may_change() -> None:
    held = []
    kinds: list[Any] = [getattr(lowpanbudget, name) for name in lowpanbudget.__all__]
    for kind in kinds:
        parts = dataclasses.fields(kind) if dataclasses.is_dataclass(kind) else ()
        declared = {one.name: str(one.type).replace("collections.abc.", "") for one in parts}
        given: dict[str, Any] = {
            name: copy.deepcopy([one for begins, one in CALLERS if text.startswith(begins)])
            for name, text in declared.items()
            if name in inspect.signature(kind).parameters
        }
        try:
            made = kind(**{name: one[0] if one else None for name, one in given.items()})
        except Exception:  # noqa: BLE001  # a class that looks at what it is given takes none of this
            continue
        for name, (one,) in ((name, one) for name, one in given.items() if one):
            kept = getattr(made, name)
            before = copy.deepcopy(kept)
            assert list(changeable((kept,))) == [], f"{kind.__name__}.{name}"
            one.clear()
            assert kept == before, f"{kind.__name__}.{name}"
            held.append(f"{kind.__name__}.{name}")
    assert len(held) > 100
    assert {"Command.fields", "Element.fields", "Tally.layer_bits", "Mac.header_ies"} <= {*held}


def test_equal_values_have_one_hash() -> None:
    # Python's data model, object.__hash__: "objects which compare equal have the same hash value"
    text = (EXAMPLES / "archive.toml").read_text()
    first, second = (part.start() for part in re.finditer(r"^\[\[context\]\]", text, re.MULTILINE))
    end = second + text[second + 1 :].index("\n[") + 2
    exchanged = text[:first] + text[second:end] + text[first:second] + text[end:]
    contexts = {0: "2001:db8::/64", 1: "fd00::/64"}
    devices = {1: NODE, (2, 3): ROOT}
    layouts = {61616: ARCHIVE.message("climate"), 5683: ARCHIVE.message("label")}
    turned: list[Any] = [dict(reversed(one.items())) for one in (contexts, devices, layouts)]
    pairs: list[tuple[Any, Any]] = [
        (parse_design(text), parse_design(exchanged)),
        (Contexts(contexts), Contexts(turned[0])),
        (Env(contexts=contexts), Env(contexts=turned[0])),
        (Decoder(contexts, (), devices, layouts=layouts), Decoder(turned[0], (), turned[1], layouts=turned[2])),
        (Command(1, {"a": 1, "b": [2]}), Command(1, {"b": [2], "a": 1})),
        (Tally(layer_bits={"a": 1, "b": 2}), Tally(layer_bits={"b": 2, "a": 1})),
    ]  # fmt: skip
    for one, other in pairs:
        assert one == other
        assert hash(one) == hash(other), type(one).__name__


def test_workers_let_nothing_of_theirs_be_set() -> None:
    frames = follow([], fcs=2)
    with read_capture(EXAMPLES / "archive.pcap") as file:
        for worker, kind in (
            (frames, CaptureFrames), (file, CaptureFile), (LeftOut(), LeftOut), (Reassembler(), Reassembler),
            (Shrinker(ARCHIVE, unprotected=True), Shrinker), (Decoder(), Decoder),
            (show(budget(ARCHIVE, "climate")[0]), Picture),
        ):  # fmt: skip
            assert isinstance(worker, kind)
            for name in [name for name in vars(kind) if not name.startswith("_")] or ["anything"]:
                with pytest.raises(AttributeError):
                    setattr(worker, name, None)


def test_what_frames_and_conversions_hold() -> None:
    sent = compress(DATAGRAM, ENV)
    assert isinstance(sent, Compressed)
    assert isinstance(decompress(sent.octets, ENV), Decompressed)
    made = encode_frame(air.mac_of(NODE, ROOT), sent.octets)
    assert isinstance(made, Encoded)
    assert sum(span.bits for span in made.spans) == 8 * len(made.octets)
    frame = decode_frame(made.octets, contexts=air.CONTEXTS)
    assert isinstance(frame.packet, Packet)
    assert all(isinstance(head, Head) for head in frame.heads)
    assert all(isinstance(head, Restored) for head in frame.restored)
    assert isinstance(frame.packet.find(Mac), Mac)
    assert frame.spans[0].nature is Nature.HEADER
    (notice,) = decode_frame(made.octets[:-1] + b"?", contexts=air.CONTEXTS).notices
    assert isinstance(notice, Notice)
    assert (notice.name, notice.offset) == ("fcs-wrong", len(made.octets) - 2)
    element = Element(0x7E, b"")  # a header termination (IEEE 802.15.4-2015 table 7-7, from memory)
    assert dataclasses.replace(element, content=b"x").content == b"x"
    with pytest.raises(DoesNotFit) as caught:
        split(DATAGRAM, ENV, room=5)
    assert isinstance(caught.value, LowpanError)
    assert issubclass(NotSupported, LowpanError)
    long = annotate(
        [air_record(air.frames_of(DATAGRAM, NODE, ROOT, contexts={})[0])], contexts=air.CONTEXTS
    )[0]
    shortest = long.shortest
    assert shortest is not None
    assert all(isinstance(one, Difference) for one in shortest.differences)
    assert sum(one.here - one.shortest for one in shortest.differences) == 8 * shortest.saved
    # both addresses in line for want of a context: 16 octets each
    bare = decode_frame(air.frames_of(DATAGRAM, NODE, ROOT, contexts={})[0], contexts=air.CONTEXTS)
    form = shortest_form(bare)
    assert form is not None
    assert (form, form.saved, form.octets) == (shortest, 32, sent.octets)
    assert "32 fewer on the air" in str(show(bare))
    assert shortest_form(decode_frame(b"")) is None
    with pytest.raises(RequestError):
        shortest_form(b"")  # type: ignore[arg-type]


def air_record(octets: bytes) -> Any:
    from lowpanbudget import Record

    return Record(1, 0, 195, octets, len(octets))


def test_a_list_of_results_is_the_callers_own() -> None:
    calls: tuple[Callable[[], Any], ...] = (
        lambda: budget(ARCHIVE, "climate"), lambda: fit(ARCHIVE, "climate"), lambda: encodings(ARCHIVE, "door_alarm"),
        lambda: carrying(ARCHIVE, 90, "climate"), lambda: room_by_hops(ARCHIVE, [1], "climate"),
        lambda: sweep(ARCHIVE, "alarm", axes={"level": [5]}), lambda: airtime(ARCHIVE, "climate"),
        lambda: split(DATAGRAM, ENV, room=80, tag=1), design_schema,
    )  # fmt: skip
    for call in calls:
        found = call()
        before = copy.deepcopy(found)
        found.clear()
        assert before
        assert call() == before
