"""``annotate HEX|FILE``: every octet of IEEE 802.15.4 frames, explained, and what their headers stand for."""

from functools import partial
from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import captures, faults, options
from lowpanbudget.cli.main import COMMANDS
from lowpanbudget.errors import RequestError, WireError

if TYPE_CHECKING:
    from io import BufferedReader

    from rich.console import Console

    from lowpanbudget.cli.annotated import Item
    from lowpanbudget.report.screen import Screen
    from lowpanbudget.stack.frame import Frame

_MOST_TOLD = 5

_EXAMPLE = """\b
lowpanbudget annotate 41c8070200... --context 0=2001:db8::/64 --key-file keys.toml
lowpanbudget annotate mesh.pcap --frame 12 --frame 13 --design examples/footbridge.toml

\b
Key file:
  [[key]]
  octets = "00112233445566778899aabbccddeeff"   # an invented key
  index = 1                                     # optional: also key_id_mode, source
  [devices]
  "0x0001" = "0200000000000001"                 # short address = EUI-64"""


@click.command("annotate", short_help=COMMANDS["annotate"], epilog=_EXAMPLE)
@click.argument("source", metavar="HEX|FILE")
@click.option(
    "--frame", "numbers", type=click.IntRange(min=1), multiple=True, metavar="N",
    help="Number of a frame in a capture; may be given again. Else the first few.",
)  # fmt: skip
@captures.design
@click.option(
    "--fcs", type=click.Choice(list(captures.FCS)),
    help="Octets of the frame check sequence at the end; none if the receiver took it off; test: find out. "
    "Else 2 for hex, and test for a capture.",
)  # fmt: skip
@options.contexts
@captures.keys
@click.option(
    "--asn", metavar="NUMBER",
    help="Absolute slot number of a frame in hex, for time-slotted links; captures tell it themselves.",
)  # fmt: skip
@options.root
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    source: str,
    numbers: tuple[int, ...],
    design: str | None,
    fcs: str | None,
    contexts: tuple[str, ...],
    key_file: str | None,
    asn: str | None,
    root: str | None,
    *,
    as_json: bool,
) -> None:
    """Explain every octet of a frame given in HEX, or of the frames in FILE (- for standard input).

    FILE is text with a frame a line in hex (# starts a comment), or a capture: pcap, pcapng, either compressed, or a
    log with times. Behind the octets stand the headers restored, each field with what it was restored from, and the
    shortest form of the same datagram. A frame that cannot be read to its end is shown as far as it goes, with the
    reason; the exit code is then 3.
    """
    from lowpanbudget.capture.files import hex_text
    from lowpanbudget.capture.files.reading import AHEAD, is_capture, starts_capture

    is_hex = source != "-" and hex_text.looks_like_hex(source)
    with captures.streamed("" if is_hex else source) as stream:
        if is_hex:
            capture = False
        elif numbers:
            capture = True
        elif stream is not None:
            capture = starts_capture(stream.peek(AHEAD))
        else:
            capture = is_capture(source)
        if capture:
            if asn is not None:
                raise RequestError(
                    "--asn is for a frame in hex: a capture tells the slot of each frame"
                )
            known = captures.Knowledge(design, key_file, contexts, fcs or "test", root)
            items, wrong = _picked(ctx, source, known, numbers, stream)
        else:
            if numbers:
                raise RequestError("--frame is for captures", hint="Give a file")
            if fcs == "test":
                raise RequestError("--fcs test is for captures: one frame proves nothing")
            known = captures.Knowledge(design, key_file, contexts, fcs or "2", root)
            items, wrong = _given(source, known, _slot(asn), stream), False
    from lowpanbudget.layers.link.mac import LARGEST_FRAME

    largest = LARGEST_FRAME if known.design is None else known.design.link.largest
    if as_json:
        _emit(items, largest)
    else:
        _show(items, largest)
    if _tell_faults(ctx, items) or wrong:
        ctx.exit(WireError.exit_code)


def _picked(
    ctx: click.Context,
    source: str,
    known: captures.Knowledge,
    numbers: tuple[int, ...],
    stream: "BufferedReader | None",
) -> "tuple[list[Item], bool]":
    """Return frames out of a capture, and whether its file is wrong."""
    from lowpanbudget.capture.files.reading import read
    from lowpanbudget.cli.annotated import pick
    from lowpanbudget.cli.progress import followed

    name = "standard input" if source == "-" else source
    with read(source if stream is None else stream) as records:
        picked = pick(known.trace(), followed(records, source), numbers, name)
    wrong = captures.tell_notices(ctx, source, records.notices, records.notice_count)
    for item in picked.items:
        item.place = f"{name}: frame {item.number}"
        item.count = picked.count
    if not numbers and picked.count > len(picked.items):
        captures.say(
            ctx, f"{len(picked.items)} of {picked.count} frames are shown; --frame N shows another"
        )
    return picked.items, wrong


def _given(
    source: str, known: captures.Knowledge, slot: int | None, stream: "BufferedReader | None"
) -> "list[Item]":
    """Return frames that were given in hex."""
    from lowpanbudget.capture.files import hex_text
    from lowpanbudget.capture.follow.packet import read_packet
    from lowpanbudget.cli.annotated import Item
    from lowpanbudget.env import Contexts
    from lowpanbudget.stack.frame import decode_frame

    planned = {} if known.design is None else dict(known.design.contexts)
    table = Contexts({**planned, **known.contexts})
    fcs = known.fcs
    matcher = None
    if known.design is not None:
        from lowpanbudget.capture.follow.matching import Matcher

        matcher = Matcher(known.design)
    items = []
    given = hex_text.hex_lines(source, stream)
    for one in given:
        frame = decode_frame(
            one.octets, fcs=2 if fcs is None else fcs, contexts=table, keys=known.keys,
            devices=known.devices, asn=slot, root=known.root,
        )  # fmt: skip
        item = Item(frame, one.place, table, known.root, count=len(given), first=frame)
        if frame.datagram is not None:
            item.datagram = frame.datagram.octets
            item.matched = None if matcher is None else matcher.match(read_packet(item.datagram))
        items.append(item)
    return items


def _emit(items: "list[Item]", largest: int) -> None:
    from lowpanbudget.cli import output
    from lowpanbudget.cli.explained import explained
    from lowpanbudget.report import machine, view

    frames = [
        {
            **view.plain(item.frame),
            "layers": view.layered(item.frame.layers),
            "place": item.place or None,
            **explained(item, largest),
        }
        for item in items
    ]
    output.emit(machine.document(frames=frames))


def _tell_faults(ctx: click.Context, items: "list[Item]") -> bool:
    """Tell where frames could not be read further; return whether there are such."""
    wrong = [
        (item.place or "the frame", item.frame.fault)
        for item in items
        if item.frame.fault is not None
    ]
    for place, fault in wrong[:_MOST_TOLD]:
        text = f"{place}: octet {fault.offset}: {fault.message}"
        click.echo(f"{ctx.command_path}: {faults.visible(text)}", err=True)
    if len(wrong) > _MOST_TOLD:
        click.echo(f"{ctx.command_path}: {len(wrong)} of {len(items)} frames are wrong", err=True)
    return bool(wrong)


def _slot(text: str | None) -> int | None:
    if text is None:
        return None
    try:
        number = int(text, 0)
    except ValueError:
        number = -1
    if not 0 <= number < 1 << 40:
        raise RequestError(
            f"--asn {text!r} is not a slot number",
            hint="A number below 2 to the 40th, decimal or with 0x before it",
        )
    return number


def _show(items: "list[Item]", largest: int) -> None:
    """Show the frames one after the other, each as soon as it is drawn."""
    from lowpanbudget.cli import output
    from lowpanbudget.cli.explained import explained, facts
    from lowpanbudget.report import terminal, view

    for index, item in enumerate(items, 1):
        frame = item.frame
        what = "Frame" if frame.mac is not None or frame.fault is not None else "Record"
        title = f"{what} of {terminal.octets(len(frame.octets))}"
        if item.place:
            title = f"{title}, {item.number or index} of {item.count} ({item.place})"
        sealed = _sealed(frame)
        told = explained(item, largest)
        shown = {
            "title": title,
            "seen": view.plain(frame),
            "rows": view.rows(frame.spans, frame.octets, sealed),
            "segments": view.segments(frame.spans),
            "sealed": sealed,
        }
        output.show(partial(_paint, told=told, facts=facts(told), **shown))


def _paint(
    console: "Console", screen: "Screen", told: dict[str, Any], facts: list[str], **frame: Any
) -> None:
    from lowpanbudget.report import annotate_text, terminal

    terminal.frame(console, screen, **frame)
    annotate_text.about(console, screen, facts)
    annotate_text.explained(console, screen, told)


def _sealed(frame: "Frame") -> tuple[int, int]:
    """Return the range of octets that went encrypted and were opened here; empty when there is none.

    The spans there hold what was opened, so what was sent must not stand beside them.
    """
    mac = frame.mac
    if mac is None or mac.security is None or frame.payload is None:
        return 0, 0
    if not mac.security.protection.encrypted:
        return 0, 0
    trailing = ("MIC", "FCS")
    end = next((s.offset_bits // 8 for s in frame.spans if s.name in trailing), len(frame.octets))
    return mac.header_length, end
