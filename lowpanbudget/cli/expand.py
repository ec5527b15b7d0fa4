"""``expand CAPTURE -o OUT``: the IPv6 datagrams of a capture as a capture, or its frames decrypted."""

from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import captures, completion, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.errors import Malformed, WireError, plural

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lowpanbudget.capture.expand import LeftOut
    from lowpanbudget.capture.files.reading import CaptureFile
    from lowpanbudget.capture.files.record import Record

_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget expand mesh.pcap -o datagrams.pcap --context 0=2001:db8::/64
lowpanbudget expand mesh.pcapng -o plain.pcap --decrypted --keys keys.toml"""


@click.command("expand", short_help=COMMANDS["expand"], epilog=_EXAMPLE)
@click.argument("capture", shell_complete=completion.files)
@options.one_file(
    "-o", "--output", "target", metavar="OUT.pcap", required=True,
    help="File to write: whole or not at all, and never over what is read.",
)  # fmt: skip
@click.option(
    "--decrypted", is_flag=True,
    help="Write the frames instead, their protection taken off.",
)  # fmt: skip
@captures.reading_options
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    capture: str,
    target: str,
    design: str | None,
    key_file: str | None,
    contexts: tuple[str, ...],
    fcs: str,
    root: str | None,
    *,
    decrypted: bool,
    as_json: bool,
) -> None:
    """Write the IPv6 datagrams of CAPTURE (- for standard input) as a pcap file, each when it is whole on a hop.

    One that was heard over several hops is written once for each of them, with the hop limit that it had there.

    With --decrypted its frames are written instead, without protection where a key opens them. A file for which keys
    were given is readable by you alone. What was left out, and why, is told on standard error. The exit code is 3 when
    the capture is cut or damaged; what could be read is written first; it is 1 when it holds no frame at all. Octets
    that are no capture at all write nothing.
    """
    from lowpanbudget.capture.expand import LeftOut, decrypt, expand
    from lowpanbudget.capture.files.link_types import FRAME_TYPE, IPV6_TYPE
    from lowpanbudget.capture.files.writing import write_pcap
    from lowpanbudget.cli import output

    known = captures.CaptureOptions(design, key_file, contexts, fcs, root)
    left_out, is_empty = LeftOut(), True

    def noting(coming: "Iterator[Record]") -> "Iterator[Record]":
        nonlocal is_empty
        for record in coming:
            is_empty = False
            yield record

    convert, link_type = (decrypt, FRAME_TYPE) if decrypted else (expand, IPV6_TYPE)
    private = decrypted or key_file is not None  # what was sealed stands in it in the clear
    if private:
        captures.say(
            ctx,
            f"caution: what {target} will hold was protected on the air, and is so no more; "
            "it is readable by you alone: pass it on to nobody who may not read it, and delete it when it has served",
        )
    with output.writing(target, private=private, inputs=(capture, design, key_file)) as file:
        records = captures.opened(capture)
        records.through(noting)
        with records:
            converted = convert(records, left_out=left_out, **known.given)
            written = write_pcap(file, converted, link_type)
        refuse_other(records, empty=capture if is_empty else "")
    report(
        ctx, capture, target, records, "datagram" if not decrypted else "frame", written, left_out
    )
    if not decrypted:
        tell_fragmented(ctx, left_out)
        _tell_assumed(ctx, left_out.assumed_type)
    if as_json:
        facts: dict[str, Any] = {"kind": "frames" if decrypted else "datagrams"}
        if not decrypted:
            facts["rpl_option_type_assumed"] = left_out.assumed_type
            facts["fragmented"] = {name: getattr(left_out, name) for name in _FRAGMENTED}
        emit("expand", capture, target, records, written, left_out, **facts)
    if captures.is_wrong(records.notices):
        ctx.exit(WireError.exit_code)
    if is_empty:
        captures.say_empty(ctx, capture)
        ctx.exit(_ANSWER_IS_NO)


_KINDS = "A capture is a pcap or pcapng file, or a text with a frame a line in hex"
_FRAGMENTED = ("assembled", "dropped", "given_up", "cut")


def tell_fragmented(ctx: click.Context, left_out: "LeftOut") -> None:
    """Tell what became of datagrams in fragments, with the counts that audit and survey have."""
    begun = left_out.assembled + left_out.dropped
    if begun:
        given_up = f", {left_out.given_up} of those given up for room" if left_out.given_up else ""
        cut = f", {left_out.cut} cut by the capture" if left_out.cut else ""
        never = left_out.dropped - left_out.cut
        text = f"{left_out.assembled} made whole, {never} never whole{given_up}{cut}"
        captures.say(ctx, f"{plural(begun, 'datagram')} begun in fragments: {text}")


def _tell_assumed(ctx: click.Context, count: int) -> None:
    """Tell once that nothing said which type the RPL option has where it went as a 6LoRH header."""
    if count:
        captures.say(
            ctx,
            f"{plural(count, 'datagram')} written with an RPL option of type 0x63 in place of a 6LoRH header, which "
            "does not say whether it is 0x63 or 0x23 (RFC 8138 section 6.3, RFC 9008 section 4.3)",
            "Give the design (routing.rpi_type), or a capture that begins before a DIO with the DODAG configuration",
        )


def refuse_other(records: "CaptureFile", *, empty: str = "") -> None:
    """Raise ``Malformed`` when what was read is no capture at all: of an ``empty`` text, no line with octets in hex."""
    from lowpanbudget.capture.files.record import NO_CAPTURE

    for notice in records.notices:
        if notice.name == NO_CAPTURE:
            raise Malformed(notice.text, offset=notice.offset)
    if empty and records.format == "text" and records.notices:
        first = records.notices[0]
        raise Malformed(f"{empty} holds no frame: {first.text}", offset=first.offset, hint=_KINDS)


def report(
    ctx: click.Context,
    capture: str,
    target: str,
    records: "CaptureFile",
    what: str,
    written: int,
    left_out: "LeftOut",
) -> None:
    """Tell on standard error what was written, what was left out and why, and what reading noticed."""
    captures.tell_notices(ctx, capture, records.notices, records.notice_count)
    captures.say(ctx, f"{written} {what if written == 1 else what + 's'} written to {target}")
    _tell_reasons(ctx, left_out)


def emit(
    name: str,
    capture: str,
    target: str,
    records: "CaptureFile",
    written: int,
    left_out: "LeftOut",
    **more: Any,
) -> None:
    """Print the same for programs."""
    from lowpanbudget.cli import output
    from lowpanbudget.report import machine, view

    facts = {
        "capture": capture,
        "output": target,
        "written": written,
        **more,
        "left_out": dict(left_out.reasons),
        "notices": view.data_of(records.notices),
    }
    output.emit(machine.document(**{name: facts}))


def _tell_reasons(ctx: click.Context, left_out: "LeftOut") -> None:
    """Tell how much was left out for each reason, the most frequent first."""
    what, hints = "left out", left_out.hints
    ordered = sorted(left_out.reasons.items(), key=lambda item: (-item[1], item[0]))
    for reason, count in ordered[: captures.MOST_TOLD]:
        times = f"{count} times" if count > 1 else "once"
        captures.say(ctx, f"{what} {times}: {reason}", hints.get(reason, ""))
    if len(ordered) > captures.MOST_TOLD:
        rest = sum(count for _, count in ordered[captures.MOST_TOLD :])
        captures.say(
            ctx,
            f"{what} {plural(rest, 'time')} for {plural(len(ordered) - captures.MOST_TOLD, 'more reason')}",
        )
