"""``init [FILE]``: a design file to begin with, made from options, or one of the examples."""

import difflib
import os
from typing import Any

import click

from lowpanbudget.cli import captures, completion, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.cli.inputs import is_folder
from lowpanbudget.errors import RequestError

_OF_KEYS = ".keys.toml"

_EXAMPLE = """\b
lowpanbudget init mesh.toml && lowpanbudget fit mesh.toml
lowpanbudget init mesh.toml --addresses extended --security 6 \\
    --routing non-storing --hops 4 --transport oscore
lowpanbudget init net.toml --network csma && lowpanbudget carry net.toml
lowpanbudget init --example archive.toml archive.toml"""


@click.command("init", short_help=COMMANDS["init"], epilog=_EXAMPLE)
@click.argument("path", metavar="[FILE]", required=False, shell_complete=completion.files)
@click.option(
    "--addresses", type=click.Choice(["short", "extended"]), default="short", show_default=True,
    help="Link addresses of data frames.",
)  # fmt: skip
@click.option(
    "--security", "level", type=options.WholeNumber(0, 7), default=5, show_default=True, metavar="LEVEL",
    help="Level of link security: 0 none, 1-3 authenticate, 4 encrypts only, 5-7 do both.",
)  # fmt: skip
@click.option(
    "--routing", type=click.Choice(["none", "storing", "non-storing", "mesh-under"]), default="storing",
    show_default=True, help="Mode of a RPL network; none: one without RPL; mesh-under: frames forwarded below IPv6.",
)  # fmt: skip
@click.option(
    "--hops", type=options.WholeNumber(1, 64), default=3, show_default=True, metavar="N",
    help="Link hops between a node and the root, at most.",
)  # fmt: skip
@click.option(
    "--transport", type=click.Choice(["udp", "coap", "oscore", "dtls"]), default="coap",
    show_default=True, help="What carries the messages: UDP alone, CoAP, CoAP within OSCORE or over DTLS.",
)  # fmt: skip
@click.option(
    "--network", type=click.Choice(["csma", "slots"]), default=None,
    help="Also say how the network carries the messages, for carry: nodes listen first, or send in slots.",
)  # fmt: skip
@click.option(
    "--example",
    metavar="NAME",
    shell_complete=completion.example_names,
    help="Write this file of the examples instead, such as archive.toml.",
)
@click.option("--force", is_flag=True, help="Also write over a FILE that is there.")
@options.as_json
@click.pass_context
def command(
    ctx: click.Context,
    /,
    path: str | None,
    example: str | None,
    *,
    force: bool,
    as_json: bool,
    **wishes: Any,
) -> None:
    """Write a design to begin with to FILE, or to standard output: commented, and its messages fit as it stands.

    Where the options leave too little room for one frame they fit in fragments, which is told. Its title, addresses,
    flows and messages stand for yours. FILE is written whole or not at all, and one that is there already stays as it
    is. The examples are designs, captures of their networks, and the invented keys of those.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.report import machine

    if path is not None and is_folder(path):
        raise RequestError(f"{path} is a folder, not a file", hint="Give the name of a file in it")
    octets = _skeleton(ctx, wishes) if example is None else _example(example)
    if path is None or path == "-":
        text = _text(octets, example)
        output.emit(machine.document(init={"design": text}) if as_json else text)
        return
    is_secret = example is not None and example.endswith(_OF_KEYS)
    _write(path, octets, force=force, private=is_secret)
    if as_json:
        output.emit(machine.document(init={"file": path, "octets": len(octets)}))
    else:
        output.emit_line(f"{path} is written")


def _skeleton(ctx: click.Context, wishes: dict[str, Any]) -> bytes:
    """Return the octets of a design to begin with; that a message takes several frames is told."""
    from lowpanbudget.design.skeleton import Skeleton, text_of
    from lowpanbudget.room.skeleton import fitting

    skeleton = fitting(Skeleton(**wishes))
    for flow, count in skeleton.most_frames.items():
        text = f"with these options a message of {flow} takes {count} frames; fit and budget say what would take fewer"
        captures.say(ctx, text)
    return text_of(skeleton).encode()


def _example(name: str) -> bytes:
    """Return the octets of an example."""
    files = completion.examples()
    if name not in files:
        near = difflib.get_close_matches(name, files, 1, 0.5)
        did = f"Did you mean {near[0]}? " if near else ""
        raise RequestError(
            f"there is no example {name!r}", hint=f"{did}There are: {', '.join(files)}"
        )
    return files[name].read_bytes()


def _text(octets: bytes, example: str | None) -> str:
    try:
        return octets.decode()
    except UnicodeDecodeError:
        raise RequestError(
            f"{example} is no text to print",
            hint=f"Name a file: lowpanbudget init --example {example} {example}",
        ) from None


def _write(path: str, octets: bytes, *, force: bool, private: bool) -> None:
    from lowpanbudget.cli import output

    if not force and os.path.lexists(path):
        raise RequestError(
            f"{path} is there already, and stays as it is",
            hint="Name another file, or write over it with --force",
        )
    # a file of keys is taken only while its owner alone can read it
    with output.writing(path, private=private) as file:
        file.write(octets)
