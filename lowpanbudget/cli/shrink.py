"""``shrink CAPTURE --design FILE -o OUT``: the frames of a design for the IPv6 datagrams of a capture."""

from typing import TYPE_CHECKING, Any

import click

from lowpanbudget.cli import captures, completion, designs, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.cli.expand import emit, refuse_other, report
from lowpanbudget.env import link_text
from lowpanbudget.errors import RequestError, WireError, plural

if TYPE_CHECKING:
    from lowpanbudget.capture.files.key_file import KeyRing
    from lowpanbudget.design.meaning import Design

_HOPS = ("first", "forwarded")
_COUNT = options.WholeNumber(0)
_ANSWER_IS_NO = 1

_EXAMPLE = """\b
lowpanbudget shrink datagrams.pcap --design examples/archive.toml -o frames.pcap --plain
lowpanbudget shrink datagrams.pcap --design examples/archive.toml -o frames.pcap \\
    --keys keys.toml --frame-counter 70000"""


@click.command("shrink", short_help=COMMANDS["shrink"], epilog=_EXAMPLE)
@click.argument("capture", shell_complete=completion.files)
@click.option(
    "--design",
    metavar="FILE",
    shell_complete=completion.files,
    required=True,
    help="Design file whose link and contexts count.",
)
@options.one_file(
    "-o", "--output", "target", metavar="OUT.pcap", required=True,
    help="File to write: whole or not at all, and never over what is read.",
)  # fmt: skip
@click.option(
    "--flow",
    metavar="NAME",
    shell_complete=completion.flows,
    help="All frames go between the link addresses of this flow.",
)
@click.option("--hop", type=click.Choice(_HOPS), help="On this hop of the flow; else its first.")
@click.option(
    "--keys", "--key-file", "key_file", metavar="FILE", shell_complete=completion.files,
    help="TOML file with the link key and devices, readable by you alone. Keys are never given on the command line.",
)  # fmt: skip
@click.option(
    "--plain", is_flag=True, help="Frames without protection, for tests: no node should take them."
)
@click.option(
    "--frame-counter", type=_COUNT, default=0, show_default=True, metavar="N",
    help="Frame counter of the first frame: above all that were used with the key.",
)  # fmt: skip
@click.option(
    "--asn", type=_COUNT, metavar="N",
    help="Absolute slot number of the first frame, for time-slotted links; each frame takes the next.",
)  # fmt: skip
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    capture: str,
    design: str,
    target: str,
    flow: str | None,
    hop: str | None,
    key_file: str | None,
    frame_counter: int,
    asn: int | None,
    *,
    plain: bool,
    as_json: bool,
) -> None:
    """Write IEEE 802.15.4 frames for the IPv6 datagrams of CAPTURE (- for standard input), as the DESIGN has them.

    Datagrams are compressed to their shortest form, what RPL adds in the form that their flow has (flow.routing) where
    that gives back the same octets, cut into fragments where one frame cannot hold them, and sealed when the design's
    link is; what is over its MTU (network.mtu) is left out. CAPTURE is a pcap or pcapng file of IPv6 packets, or text
    with a datagram a line in hex. What was left out, and why, is told on standard error; the exit code
    is 3 when the capture is cut or damaged, 1 when no frame could be written.
    """
    from lowpanbudget.capture.expand import LeftOut
    from lowpanbudget.capture.files.link_types import FRAME_TYPE, IPV6_TYPE
    from lowpanbudget.capture.files.writing import write_pcap
    from lowpanbudget.capture.shrink import Counters, Shrinker, counts_slots, shrink
    from lowpanbudget.cli import output

    if plain and key_file is not None:
        raise RequestError("--plain and --keys exclude each other", hint="Leave one of the two out")
    if hop is not None and flow is None:
        raise RequestError("--hop is about a flow", hint="Name the flow with --flow")
    plan = designs.load(design)
    if counts_slots(plan) and asn is None and key_file is not None:
        raise RequestError(
            "the frames of this design are sealed with their slot number, and none is given",
            hint="Give --asn, above all slot numbers that were used with the key",
        )
    counters = Counters(frame_counter=frame_counter, asn=asn)
    ring = None if key_file is None else _keys(plan, key_file)
    shrinker = Shrinker(
        plan, flow=None if flow is None else plan.flow(flow), hop=hop or _HOPS[0],
        key=None if ring is None else ring.keys[0], devices=None if ring is None else ring.devices,
        unprotected=plain, counters=counters,
    )  # fmt: skip
    _caution(ctx, plan, counters, plain=plain)
    left_out = LeftOut()
    with output.writing(target, inputs=(capture, design, key_file)) as file:
        records = captures.opened(capture, IPV6_TYPE)
        with records:
            frames = shrink(records, shrinker, left_out=left_out)
            written = write_pcap(file, frames, FRAME_TYPE)
        refuse_other(records)
    report(ctx, capture, target, records, "frame", written, left_out)
    _tell_in_headers(ctx, shrinker.in_headers)
    _tell_stand_in(ctx, shrinker.stand_in)
    if as_json:
        following = {"frame_counter": counters.frame_counter, "asn": counters.asn}
        emit(
            "shrink",
            capture,
            target,
            records,
            written,
            left_out,
            next=following,
            in_headers=shrinker.in_headers,
            stand_in=None if shrinker.stand_in is None else link_text(shrinker.stand_in),
        )
    if captures.is_wrong(records.notices):
        ctx.exit(WireError.exit_code)
    if not written:
        ctx.exit(_ANSWER_IS_NO)


def _keys(design: "Design", path: str) -> "KeyRing":
    """Return what a key file holds, and of its keys the one that the design's frames name."""
    from lowpanbudget.capture.files.key_file import read_keys
    from lowpanbudget.capture.shrink import key_of
    from lowpanbudget.values import replace

    ring = read_keys(path)
    key = key_of(design, ring.keys)
    if key is None:
        raise RequestError(
            f"{path} has no key for the design's key id mode, index and source",
            hint="Add a [[key]] for them, or one without key_id_mode, index and source",
        )
    return replace(ring, keys=(key,))


def _tell_in_headers(ctx: click.Context, count: int) -> None:
    """Tell that what RPL adds went in another form than the design has."""
    if count:
        captures.say(
            ctx,
            f"{plural(count, 'datagram')} kept what RPL adds as IPv6 headers, though the flow has 6LoRH, which would "
            "not give back the same octets: another option type, padding, addresses compressed in a routing header",
            'Set form = "extension-headers" in the flow\'s routing, to budget for what is sent',
        )


def _tell_stand_in(ctx: click.Context, node: bytes | None) -> None:
    """Tell that frames go to a node of a mesh which nobody named."""
    if node is not None:
        captures.say(
            ctx,
            f"{link_text(node)} stands for the node that passes frames on below IPv6: no datagram tells which that is, "
            "and the mesh finds it (RFC 4944 section 11)",
            "Lengths, mesh headers and fragments are as they will be; give frames another MAC destination to send them",
        )


def _caution(ctx: click.Context, design: "Design", counters: Any, *, plain: bool) -> None:
    security = design.link.security
    if security is None or not security.level:
        return
    if plain:
        captures.say(
            ctx, "caution: these frames have no protection, though the design's link has: for tests"
        )
    elif security.frame_counter is not None:
        captures.say(
            ctx,
            f"caution: frame counters start at {counters.frame_counter}; one that was used with this key before "
            "breaks the protection of both frames",
        )
    else:
        captures.say(
            ctx,
            "caution: a slot number that was used with this key before breaks the protection of both frames",
        )
