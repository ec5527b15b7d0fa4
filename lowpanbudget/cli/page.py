"""``page DESIGN|CAPTURE -o FILE``: one file to show to others."""

from typing import TYPE_CHECKING

import click

from lowpanbudget.cli import captures, completion, designs, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.cli.inputs import require_capture
from lowpanbudget.errors import RequestError, WireError, plural

if TYPE_CHECKING:
    from lowpanbudget.report.view import Data

_ANSWER_IS_NO = 1
_DAMAGED = {
    "capture-damaged",
    "text-not-read",
}  # what says that a file is none, cut, or not to be read
_NOTHING = "nothing-to-judge"
_EXAMPLE = """\b
lowpanbudget page examples/archive.toml -o archive.html
lowpanbudget page mesh.pcap --design examples/archive.toml -o mesh.html"""


@click.command("page", short_help=COMMANDS["page"], epilog=_EXAMPLE)
@click.argument("source", metavar="DESIGN|CAPTURE", shell_complete=completion.files)
@options.one_file(
    "-o", "--output", "target", metavar="FILE.html", required=True, shell_complete=completion.files,
    help="The page. A file that is there is replaced whole or not at all.",
)  # fmt: skip
@click.option(
    "--combinations", type=options.WholeNumber(1), default=None, metavar="N",
    help="Of a design: combinations of settings of a flow that are all encoded (4096, or fewer where there are many "
    "flows). Of a flow with more: each change alone and in pairs.",
)  # fmt: skip
@click.option(
    "--network/--no-network", default=True,
    help="Of a design: what its network carries, where it tells how; simulating that may take half a minute.",
)  # fmt: skip
@click.option(
    "--frames", type=options.WholeNumber(1), default=None, metavar="N",
    help="Of a capture: frames that are drawn, those of the worst findings first.",
)  # fmt: skip
@click.option(
    "--contents", is_flag=True,
    help="Of a capture: let decrypted contents into the page. It then goes only to those who may read them.",
)  # fmt: skip
@captures.reading_options
@captures.pan
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    source: str,
    target: str,
    combinations: int | None,
    frames: int | None,
    design: str | None,
    key_file: str | None,
    contexts: tuple[str, ...],
    fcs: str,
    root: str | None,
    pan: str | None,
    *,
    network: bool,
    contents: bool,
    as_json: bool,
) -> None:
    """Write a page that shows to people without a terminal why a payload is capped, or what a capture proves.

    It opens in any browser without network. Of a DESIGN (a .toml file, or - for standard input): the fullest frame of
    each flow and hop to scale, each field with its reason, settings to switch between combinations that were all really
    encoded, the messages bit by bit, and what the network carries. Of a CAPTURE: the findings, each with its frames,
    who sent when, and where the octets went; the exit code is 3 when it is cut or damaged, the page has what could be
    read then.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.report import machine
    from lowpanbudget.report.page.paper import capture_html, design_html

    damaged = False
    private = contents and key_file is not None  # what was sealed stands in it in the clear
    with output.writing(target, private=private, inputs=(source, design, key_file)) as file:
        if source.endswith(".toml") or source == "-":
            page = _of_design(source, combinations, network=network)
            html = design_html(page)
            states = sum(len(flow["rooms"]) for flow in page["flows"])
            told = {"flows": len(page["flows"]), "combinations": states}
            flows = plural(len(page["flows"]), "flow")
            says = f"{plural(states, 'combination')} of settings of {flows} encoded"
        else:
            if key_file is not None and not contents:
                raise RequestError(
                    "with keys the page would hold decrypted contents",
                    hint="Add --contents if all who get the page may read them, else leave the keys away",
                )
            known = captures.CaptureOptions(design, key_file, contexts, fcs, root, pan=pan)
            page = _of_capture(source, frames, known)
            damaged = any(
                one["name"] in _DAMAGED and one["severity"] == "risk" for one in page["findings"]
            )
            if not page["frames"]:  # a page of nothing would say nothing, and look like an answer
                if any(one["name"] == _NOTHING for one in page["findings"]):
                    captures.say_empty(ctx, source)
                else:
                    captures.say_nothing_within(ctx, (source,), known)
                ctx.exit(WireError.exit_code if damaged else _ANSWER_IS_NO)
            html = capture_html(page)
            told = {
                "frames": page["frames"],
                "drawn": len(page["drawn"]),
                "left_out": page["left_out"],
            }
            counts = (page["frames"], "frame"), (len(page["findings"]), "finding")
            says = ", ".join(plural(*one) for one in counts) + f", {len(page['drawn'])} drawn"
        octets = html.encode()
        file.write(octets)
    if as_json:
        output.emit(machine.document(page={"file": target, "octets": len(octets), **told}))
    else:
        output.emit_line(f"{target}: {says}; {len(octets)} octets.")
    if damaged:
        ctx.exit(WireError.exit_code)


def _of_design(source: str, combinations: int | None, *, network: bool) -> "Data":
    from lowpanbudget.cli.progress import counted
    from lowpanbudget.report.page.design import design_page

    loaded = designs.load(source)
    with counted("combinations of settings", "what the network carries") as tell:
        return design_page(loaded, tell, combinations, network=network)


def _of_capture(source: str, frames: int | None, known: captures.CaptureOptions) -> "Data":
    from lowpanbudget.report.page.capture import MOST_FRAMES, capture_page

    require_capture(source)
    return capture_page(
        source, most_frames=MOST_FRAMES if frames is None else frames, **known.given
    )
