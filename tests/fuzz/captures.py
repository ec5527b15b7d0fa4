"""Captures through all that reads them: followed, audited, surveyed in both ways, expanded and made anew."""

import io
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from unittest.mock import patch

from capture.columns.columns_help import by_columns, checked
from fuzz.applications import CLIENT
from fuzz.capture_files import capture
from fuzz.registry import (
    CONTEXTS,
    DEVICES,
    KEYS,
    OUTCOMES,
    ROOT,
    check_request,
    check_secrecy,
    entry,
    refusal,
    sampled,
)

from lowpanbudget import (
    DtlsSender,
    LeftOut,
    RecordKeys,
    RequestError,
    Shrinker,
    annotate,
    audit,
    decrypt,
    dtls_suite,
    expand,
    follow,
    frame_rows,
    list_frames,
    load_design,
    measure,
    read_capture,
    read_together,
    shrink,
    survey,
    write_pcap,
)
from lowpanbudget.bits import tiles
from lowpanbudget.capture.columns import places, state
from lowpanbudget.capture.columns.loops import as_they_are

EXAMPLES = Path(__file__).parents[2] / "examples"
DESIGNS = tuple(load_design(EXAMPLES / f"{name}.toml") for name in ("archive", "footbridge"))
NARROWED: tuple[dict[str, Any], ...] = (
    {},
    {"node": "0x0001"},
    {"flow": "61618"},
    {"since": 1, "until": 70.5},
)


SENDERS = (
    DtlsSender(dtls_suite("TLS_PSK_WITH_AES_128_CCM_8"), RecordKeys(KEYS[1], KEYS[0][:4])),
    DtlsSender(
        dtls_suite("TLS_AES_128_GCM_SHA256"),
        RecordKeys(KEYS[1], KEYS[0][:12], KEYS[0]),
        cid_length=1,
    ),
)


def known(choice: int) -> dict[str, Any]:
    """Return what may be known of a capture beside its frames."""
    found: dict[str, Any] = {"contexts": CONTEXTS[choice & 3]}
    if choice & 4:
        found |= {"keys": KEYS, "devices": DEVICES}
    if choice & 8:
        found["root"] = ROOT
    if choice & 16:
        found |= {"timeout_s": 5.0, "oscore": (CLIENT,), "dtls": SENDERS}
    if choice & 0xE0 == 0x20:
        found["design"] = DESIGNS[0]
    elif choice & 0xE0 == 0x40:
        found["fcs"] = 2
    elif choice & 0xE0 == 0x60:
        found["fcs"] = 0
    return found


def given(data: bytes) -> tuple[dict[str, Any], bytes]:
    """Return what is known, and the capture file that an input stands for."""
    return known(data[0] if data else 0), capture(data[1:])


@entry("capture file", longest=1200, slow_s=1.0)
def any_file(data: bytes) -> None:
    """Records lie in the file, in order; written again they are read as they were."""
    octets = capture(data)
    with read_capture(io.BytesIO(octets)) as file:
        found = list(file)
        form, notices = file.format, file.notices
    assert all(str(notice) for notice in notices)
    assert (
        found or notices or len(octets) < 100
    )  # heads alone: a section and two interfaces have 92
    assert [record.number for record in found] == list(range(1, len(found) + 1))
    if octets[:2] != b"\x1f\x8b" and form != "text":
        for record in found:
            at = record.offset or 0
            assert octets[at : at + len(record.octets)] == record.octets
    OUTCOMES[f"{form}: {'frames' if found else 'none'}"] += 1
    if not found:
        return
    kind = found[0].link_type
    again = io.BytesIO()
    same = [record for record in found if record.link_type == kind]
    assert write_pcap(again, same, kind) == len(same)
    again.seek(0)
    assert [record.octets for record in read_capture(again)] == [one.octets for one in same]


@entry("capture followed", longest=1200, slow_s=1.0, most_mb=16, inputs=10_000)
def any_followed(data: bytes) -> None:
    options, octets = given(data)
    seen = []
    try:
        for frame in follow(io.BytesIO(octets), **options):
            whole = frame.frame
            assert tiles(whole.spans, len(whole.octets) * 8)
            assert frame.restored is not None
            try:
                best = frame.shortest
            except RequestError as error:
                check_request(error)
            else:
                if best is not None:
                    freed = sum(one.here - one.shortest for one in best.differences)
                    assert freed == 8 * (best.here - best.shortest)
            seen.append(
                (frame.number, frame.datagram, frame.flow, frame.fault and str(frame.fault))
            )
            OUTCOMES[frame.kind] += 1
            if sampled(data, 8):
                check_secrecy(f"{frame!r} {frame.message!r}", octets, frame.payload)
        if seen and sampled(data, 4):
            middle = len(seen) // 2 + 1
            (picked,) = annotate(io.BytesIO(octets), middle, **options)
            assert (picked.number, picked.datagram) == seen[middle - 1][:2]
            assert tiles(picked.frame.spans, len(picked.frame.octets) * 8)
    except RequestError as error:
        check_request(error)
        OUTCOMES[refusal(error)] += 1


@entry("capture audited", longest=1200, slow_s=1.0, most_mb=16, inputs=10_000)
def any_audited(data: bytes) -> None:
    options, octets = given(data)
    if sampled(data, 8):
        options |= NARROWED[sum(data) & 3]
    told: list[str] = []
    try:
        found = audit(
            io.BytesIO(octets), tell=lambda _, finding: told.append(finding.name), **options
        )
        listed = list_frames(io.BytesIO(octets), **options) if sampled(data, 4) else None
    except RequestError as error:
        check_request(error)
        OUTCOMES[refusal(error)] += 1
        return
    names = {finding.name for finding in found.findings}
    for finding in found.findings:
        OUTCOMES[finding.name] += 1
        assert all(number >= 1 for number in finding.frames)
        if not found.receptions:  # a frame that several receivers heard is one frame
            assert max(finding.frames, default=0) <= found.frames
    order = [finding.severity for finding in found.findings]
    assert order == sorted(order, reverse=True)
    if listed is not None:
        assert listed.total == found.frames or (found.receptions and listed.total > found.frames)
        assert {name for one in listed.frames for name in one.findings} <= names
    check_secrecy(f"{found!r} {told}", octets)


# bounds of the loop's arrays, small: they are filled sooner, and reached
SMALL = {
    "MOST_CLASSES": 16, "CLASS_SLOTS": 64, "MOST_PAIRS": 16, "PAIR_SLOTS": 64, "MOST_ENTRIES": 8, "CHAINS": 8,
    "RING": 16, "MOST_PARTS": 32, "SAVINGS": 64,
}  # fmt: skip


@entry("capture surveyed", longest=1200, slow_s=2.0, most_mb=64, inputs=10_000)
def any_surveyed(data: bytes) -> None:
    """What is counted by columns is what is followed frame by frame, also when the arrays of the loop are full."""
    options, octets = given(data)
    expected = survey(io.BytesIO(octets), columns=False, **options)
    assert expected.total.frames == sum(tally.frames for tally in expected.cells.values())
    with read_capture(io.BytesIO(octets)) as file:
        form = file.format
    OUTCOMES[f"{form}: {'frames' if expected.total.frames else 'none'}"] += 1
    if form not in ("pcap", "pcapng"):
        return
    with ExitStack() as patches:
        loops = checked() if sampled(data, 8) else as_they_are()
        if not sampled(data, 32):
            small: dict[str, Any] = SMALL
            patches.enter_context(patch.multiple(places, **small))
            patches.enter_context(patch.multiple(state, MOST_SOURCES=8, MOST_SEQUENCES=16))
        found, shares = by_columns(io.BytesIO(octets), loops, **options)
    assert found == expected
    OUTCOMES["counted by columns"] += shares.columns
    OUTCOMES["followed"] += shares.followed


@entry("capture expanded", longest=1200, slow_s=1.0, most_mb=16, inputs=10_000)
def any_expanded(data: bytes) -> None:
    """Datagrams come out whole; frames whose protection is taken off bring the same ones."""
    options, octets = given(data)
    left_out = LeftOut()
    records = list(expand(io.BytesIO(octets), left_out=left_out, **options))
    for record in records:
        assert record.link_type == 229
        assert len(record.octets) >= 40
        assert record.octets[0] >> 4 == 6
    assert left_out.count == sum(left_out.reasons.values())
    OUTCOMES["datagrams"] += len(records)
    for reason, count in left_out.reasons.items():
        OUTCOMES[reason[:60]] += count
    if data[:1] and data[0] & 4:
        plain = list(decrypt(io.BytesIO(octets), **options))
        check_secrecy(f"{plain!r} {left_out.reasons}", octets, *(one.octets for one in plain))
        OUTCOMES["plain frames"] += len(plain)


@entry("capture shrunk", longest=1200, slow_s=1.0, most_mb=16, inputs=10_000)
def any_shrunk(data: bytes) -> None:
    """Datagrams go in frames of a design, and come out of these frames as they were."""
    choice, octets = data[0] if data else 0, capture(data[1:])
    design = DESIGNS[choice & 1]
    datagrams = list(expand(io.BytesIO(octets), **known(choice)))
    left_out = LeftOut()
    shrinker = Shrinker(design, key=KEYS[0], unprotected=bool(choice & 2))
    if shrinker.counters.asn is None and choice & 1:
        shrinker.counters.asn = 7
    sent = list(shrink(datagrams, shrinker, left_out=left_out))
    assert all(len(record.octets) <= design.link.largest for record in sent)
    OUTCOMES["frames"] += len(sent)
    for reason, count in left_out.reasons.items():
        OUTCOMES[reason[:60]] += count
    assert len(datagrams) - left_out.count <= len(sent)
    opens = choice & 3 != 1  # or the nonce holds the slot number, which no record tells
    if opens and not left_out.count and sampled(data, 2):
        devices = {
            int.from_bytes(station.short, "big"): station.extended
            for station in design.stations
            if station.short is not None and station.extended is not None
        }
        back = expand(sent, design=design, keys=KEYS[0], devices=devices, fcs=2)
        assert [one.octets for one in back] == [one.octets for one in datagrams]
        OUTCOMES["came back"] += len(datagrams)
    check_secrecy(
        f"{shrinker!r} {left_out.reasons} {sent[:1]!r}", octets, *(one.octets for one in sent)
    )


@entry("capture measured", longest=1200, slow_s=1.0, most_mb=24, inputs=10_000)
def any_measured(data: bytes) -> None:
    """What is told over time and in rows adds up to the survey; several receivers are one capture, without repeats."""
    options, octets = given(data)
    total = survey(io.BytesIO(octets), columns=False, **options).total
    timed = survey(io.BytesIO(octets), every=1.5, **options)
    assert timed.series is not None
    steps = timed.series.steps.values()
    assert sum(step.frames for step in steps) + timed.series.untimed == total.frames
    rows = list(frame_rows(io.BytesIO(octets), **options))
    assert sum(row.heard_as is None for row in rows) == total.frames
    check_secrecy(f"{timed!r} {rows!r}", octets)
    measured = measure(io.BytesIO(octets), **options)
    assert str(measured)
    OUTCOMES["rows"] += len(rows)
    if sampled(data, 4):
        try:
            together = read_together([io.BytesIO(octets), io.BytesIO(octets)])
            twice = survey(together, **options)
        except RequestError as error:
            check_request(error)
            OUTCOMES[refusal(error)] += 1
        else:
            assert total.frames <= twice.total.frames <= 2 * total.frames
            OUTCOMES["together"] += twice.total.frames
