"""``annotate HEX|FILE``: every octet of IEEE 802.15.4 frames, explained, and what their headers stand for."""

from collections import Counter
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from lowpanbudget.cli import captures, completion, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.cli.inputs import require_frames, require_text
from lowpanbudget.errors import RequestError, WireError, plural

if TYPE_CHECKING:
    from io import BufferedReader

    from rich.console import Console

    from lowpanbudget.capture.files.record import ReadingNotice
    from lowpanbudget.capture.follow.sighting import Sighting
    from lowpanbudget.report.screen import Screen

_MOST_TOLD = 5
_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget annotate 41c8070200... --context 0=2001:db8::/64 --key-file keys.toml
lowpanbudget annotate mesh.pcap --frame 12 --frame 13 --design examples/footbridge.toml
lowpanbudget annotate mesh.pcap --list --node 0x0012 --since 90
lowpanbudget annotate roof.pcap cellar.pcap --together --frame 12

\b
Key file:
  [[key]]
  octets = "00112233445566778899aabbccddeeff"   # an invented key
  index = 1                                     # optional: also key_id_mode, source
  [devices]
  "0x0001" = "0200000000000001"                 # short address = EUI-64
  [[oscore]]                                    # opens messages of both ends
  master_secret = "000102030405060708090a0b0c0d0e0f"
  sender_id = "01"
  recipient_id = "02"
  [[dtls]]                                      # explain '[[dtls]]' says the rest"""


class Shown(NamedTuple):
    """A frame to show, and where it stands: in a capture, or in a file of hex lines."""

    place: str
    sighting: "Sighting"


@click.command("annotate", short_help=COMMANDS["annotate"], epilog=_EXAMPLE)
@click.argument(
    "sources", metavar="HEX|FILE", nargs=-1, required=True, shell_complete=completion.files
)
@click.option(
    "--frame", "numbers", type=options.WholeNumber(1), multiple=True, metavar="N",
    help="Number of a frame in a capture; may be given again. Else the first few.",
)  # fmt: skip
@click.option(
    "--list", "as_list", is_flag=True,
    help="A line a frame of a capture: from and to on the link, octets, room left, what it carries, findings. "
    "It comes when all is read: the last frame may tell what is found in the first.",
)  # fmt: skip
@captures.together
@captures.narrowing_options
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
@options.as_csv
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    /,
    sources: tuple[str, ...],
    numbers: tuple[int, ...],
    design: str | None,
    fcs: str | None,
    contexts: tuple[str, ...],
    key_file: str | None,
    asn: str | None,
    root: str | None,
    *,
    as_list: bool,
    together: bool,
    as_csv: bool,
    as_json: bool,
    **narrowed: str | None,
) -> None:
    """Explain every octet of a frame given in HEX, or of the frames in FILE (- for standard input).

    FILE is text with a frame a line in hex (# starts a comment), or a capture: pcap, pcapng, either also compressed by
    gzip (no other way), or a log whose lines hold more than hex. Behind the octets stand the headers restored, each
    field with what it was restored from, and the shortest form of the same datagram. A frame that cannot be read to its
    end is shown as far as it goes, with the reason. The exit code is 3 then and of a cut file, 1 where no frame is.
    With --together several captures of one network are given.
    """
    from lowpanbudget.capture.files import hex_text
    from lowpanbudget.capture.files.reading import AHEAD, is_log, starts_log
    from lowpanbudget.cli.listening import streamed

    options.refuse_both(ctx, as_csv=as_csv, as_json=as_json)
    if as_csv and not as_list:
        raise click.UsageError("--csv prints what --list shows", ctx)
    if as_list and numbers:
        raise click.UsageError("--list shows many frames, --frame those that it names", ctx)
    source = sources[0]
    if together:
        captures.sets_of(sources, together=True)
    elif len(sources) > 1:
        raise click.UsageError(
            f"{len(sources)} sources are given, one is wanted: HEX with spaces in it stands in quotes, and --together "
            "is for captures of several receivers",
            ctx,
        )
    only_captures = as_list or together or any(narrowed.values())
    is_hex = not together and source != "-" and hex_text.looks_like_hex(source)
    if source != "-" and not is_hex:
        require_frames(source)
    with streamed("" if is_hex or as_list else source) as stream:
        if stream is not None:  # a list says so itself
            require_text("standard input" if source == "-" else source, stream.peek(AHEAD))
        if is_hex:
            capture = False
        elif numbers or only_captures:
            capture = True
        elif stream is not None:
            capture = starts_log(stream.peek(AHEAD))
        else:
            capture = is_log(source)
        if capture:
            if asn is not None:
                raise RequestError(
                    "--asn is for a frame in hex: a capture tells the slot of each frame",
                    hint="Leave --asn out",
                )
            known = captures.CaptureOptions(
                design, key_file, contexts, fcs or "test", root, captures.LONGEST_WAIT_S, **narrowed
            )
            if as_list:
                _list(ctx, sources, known, as_csv=as_csv, as_json=as_json)
                return
            frames, count, notices, wrong = _picked(ctx, sources, known, numbers, stream)
        else:
            if numbers or only_captures:
                given = "--frame" if numbers else "--list and what narrows it (--pan, --node ...)"
                verb = "is" if numbers else "are"
                raise RequestError(f"{given} {verb} for captures", hint="Give a file")
            if fcs == "test":
                raise RequestError(
                    "--fcs test is for captures: one frame proves nothing",
                    hint="Say --fcs 2, 4 or none",
                )
            known = captures.CaptureOptions(design, key_file, contexts, fcs or "2", root)
            frames, notices, wrong = _alone(source, known, _slot(asn), stream), (), False
            count = len(frames)
    largest = known.largest
    if as_json:
        _emit(frames, largest, notices)
    else:
        _show(frames, count, largest)
    if _tell_faults(ctx, frames) or wrong:
        ctx.exit(WireError.exit_code)
    if not frames:
        captures.say_empty(ctx, captures.name_of(sources))
        ctx.exit(_ANSWER_IS_NO)


def _picked(
    ctx: click.Context,
    sources: tuple[str, ...],
    known: captures.CaptureOptions,
    numbers: tuple[int, ...],
    stream: "BufferedReader | None",
) -> tuple[list[Shown], int, tuple["ReadingNotice", ...], bool]:
    """Return frames out of a capture, how many it has, what reading it noticed, and whether its file is wrong."""
    from lowpanbudget.capture.follow.picking import pick

    source = captures.name_of(sources)
    name = "standard input" if source == "-" else source
    with captures.opened_together(sources, stream) as records:
        picked, count = pick(known.trace(), records, numbers, name)
    wrong = captures.tell_notices(ctx, source, records.notices, records.notice_count)
    if not numbers and count > len(picked):
        captures.say(ctx, f"{len(picked)} of {count} frames are shown; --frame N shows another")
    frames = [Shown(f"{name}: frame {sighting.number}", sighting) for sighting in picked]
    return frames, count, records.notices, wrong


def _list(
    ctx: click.Context,
    sources: tuple[str, ...],
    known: captures.CaptureOptions,
    *,
    as_csv: bool,
    as_json: bool,
) -> None:
    """Show a line a frame, and end with the exit code for what is wrong in them."""
    from lowpanbudget.cli import output
    from lowpanbudget.findings.listing import list_frames
    from lowpanbudget.report import csv_table, list_text, machine, view

    source = captures.name_of(sources)
    with captures.opened_together(sources) as records:
        listed = list_frames(records, **known.given)
    wrong = captures.tell_notices(ctx, source, records.notices, records.notice_count)
    if as_json:
        heard = view.receivers(listed.receptions)
        rows = list_text.rows(listed)
        assumed, noticed = list(listed.assumed), view.data_of(listed.notices)
        output.emit(machine.document(list=rows, receivers=heard, assumed=assumed, notices=noticed))
    elif as_csv:
        output.emit(csv_table.csv_of(list_text.COLUMNS, list_text.rows(listed)))
    else:
        output.show(lambda console, screen: list_text.frames(console, screen, listed))
    reasons = Counter(one.fault.message for one in listed.frames if one.fault is not None)
    faulty = reasons.total()
    if faulty:
        (most, count), *others = reasons.most_common()
        text = (
            f"{faulty} of {plural(len(listed.frames), 'frame')} cannot be read to the end: {most}"
        )
        captures.say(ctx, f"{text} ({count} of them)" if others else text)
    if wrong or faulty:
        ctx.exit(WireError.exit_code)
    if not listed.total:
        captures.say_empty(ctx, source)
    elif not listed.frames:
        captures.say_nothing_within(ctx, sources, known)
    if not listed.frames:
        ctx.exit(_ANSWER_IS_NO)


def _alone(
    source: str, known: captures.CaptureOptions, slot: int | None, stream: "BufferedReader | None"
) -> list[Shown]:
    """Return frames that were given in hex."""
    from lowpanbudget.capture.files import hex_text
    from lowpanbudget.capture.follow.picking import lone

    decoder, matcher, opener = known.decoder(), known.matcher(), known.opener()
    fcs = 2 if known.fcs is None else known.fcs
    return [
        Shown(
            line.place,
            lone(line.octets, decoder, fcs=fcs, asn=slot, matcher=matcher, opener=opener),
        )
        for line in hex_text.hex_lines(source, stream)
    ]


def _emit(frames: list[Shown], largest: int | None, notices: tuple["ReadingNotice", ...]) -> None:
    from lowpanbudget.cli import output
    from lowpanbudget.report import machine, sightings, view

    rows = [
        {
            **sightings.read(sighting),
            "layers": view.layered(sighting.as_frame.layers),
            "place": place or None,
            **view.data_of(sightings.details(sighting, largest)),
        }
        for place, sighting in frames
    ]
    output.emit(machine.document(frames=rows, notices=view.data_of(notices)))


def _tell_faults(ctx: click.Context, frames: list[Shown]) -> bool:
    """Tell where frames could not be read further; return whether there are such."""
    wrong = [
        (place or "the frame", sighting.as_frame.fault)
        for place, sighting in frames
        if sighting.as_frame.fault is not None
    ]
    for place, fault in wrong[:_MOST_TOLD]:
        text = f"{place}: octet {fault.offset}: {fault.message}"
        captures.say(ctx, text)
    if len(wrong) > _MOST_TOLD:
        captures.say(ctx, f"{len(wrong)} of {len(frames)} frames are wrong")
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


def _show(frames: list[Shown], count: int, largest: int | None) -> None:
    """Show the frames one after the other, each as soon as it is drawn."""
    from lowpanbudget.capture.annotation import title_of
    from lowpanbudget.cli import output
    from lowpanbudget.report import sightings

    for index, (place, sighting) in enumerate(frames, 1):
        frame = sighting.as_frame
        title = title_of(frame)
        if place:
            title = f"{title}, {sighting.number or index} of {count} ({place})"
        facts = sightings.details(sighting, largest)
        output.show(
            partial(_paint, frame=sightings.drawn(frame, title, sighting.unsealed), facts=facts)
        )


def _paint(console: "Console", screen: "Screen", **shown: Any) -> None:
    from lowpanbudget.report import annotate_text

    annotate_text.frame(console, screen, **shown)
