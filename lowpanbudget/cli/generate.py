"""``generate DESIGN MESSAGE``: C for the node, one header and one source file."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from lowpanbudget.cli import completion, designs, options
from lowpanbudget.cli.commands import COMMANDS
from lowpanbudget.errors import RequestError, plural

if TYPE_CHECKING:
    from lowpanbudget.payload.c.source import CodeMemory, GeneratedFile

_EXAMPLE = """\b
lowpanbudget generate examples/footbridge.toml readings -o firmware/src"""


@click.command("generate", short_help=COMMANDS["generate"], epilog=_EXAMPLE)
@click.argument("design", shell_complete=completion.files)
@click.argument("message", shell_complete=completion.messages)
@options.one_file(
    "-o",
    "--output",
    "folder",
    metavar="DIR",
    shell_complete=completion.files,
    required=True,
    help="Folder for the two files; made if missing.",
)
@click.option(
    "--prefix",
    metavar="NAME",
    help="What all names in C and both files begin with; else the message's name.",
)
@click.option(
    "--no-float",
    is_flag=True,
    help="No floating point in C: such fields are the bits of their numbers.",
)
@click.option(
    "--force", is_flag=True, help="Also overwrite files that this program did not generate."
)
@options.as_json
def command(
    design: str,
    message: str,
    folder: str,
    prefix: str | None,
    *,
    no_float: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Write C99 that packs and unpacks MESSAGE of the DESIGN file: one header, one source file with a self-test.

    The code is your own. It allocates nothing, does not depend on the byte order of the processor and refuses values
    out of range with a result that names the field. Files are written whole or not at all; a file that this program
    did not generate is left alone.
    """
    from lowpanbudget.cli import output
    from lowpanbudget.payload.c.source import generate

    form = designs.load(design).message(message)
    made = generate(form, prefix=prefix, floats=not no_float)
    paths = _write((made.header, made.source), Path(folder), design, force=force)
    if as_json:
        from lowpanbudget.report import machine

        files = [{"path": str(path), "octets": path.stat().st_size} for path in paths]
        found = {
            "message": form.name,
            "files": files,
            "min_octets": form.min_octets,
            "max_octets": form.max_octets,
            "vectors": made.vectors,
            "float": not no_float,
            "memory": made.memory._asdict(),
        }
        output.emit(machine.document(generate=found))
        return
    screen = output.standard_screen()
    name = made.header.name.removesuffix(".h").upper()
    size = (
        f"{form.min_octets} to {form.max_octets}"
        if form.min_octets != form.max_octets
        else f"{form.max_octets}"
    )
    end = "" if size == "1" else "s"
    lines = [
        *(f"{path} is written" for path in paths),
        f"Memory in octets: {_memory(made.memory)}",
        f"Message {form.name} takes {size} octet{end}; the self-test has {plural(made.vectors, 'vector')}:",
        f"  cc -std=c99 -D{name}_SELF_TEST -D{name}_SELF_TEST_MAIN {paths[1]} -o self_test && ./self_test",
    ]
    output.emit("".join(f"{screen.text(line)}\n" for line in lines))


def _memory(memory: "CodeMemory") -> str:
    stack = max(memory.pack_stack, memory.unpack_stack)
    return f"structure {memory.structure}, constants {memory.constants}, stack at most {stack}"


def _write(
    files: "tuple[GeneratedFile, ...]", folder: Path, design: str, *, force: bool
) -> list[Path]:
    """Write all files or none; what stands there and was not generated stays, unless forced."""
    from lowpanbudget.cli.output import unwinding, write_whole

    paths = [folder / file.name for file in files]
    before = [_standing(path, force=force) for path in paths]
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RequestError(
            f"the folder {folder} cannot be made: {reason}",
            hint="Name a folder that you may write to",
        ) from None
    with unwinding():
        try:
            for path, file in zip(paths, files, strict=True):
                write_whole(str(path), file.text.encode(), inputs=(design,))
        except BaseException:
            for path, octets in zip(paths, before, strict=True):
                _restore(path, octets)  # a header without its source would be half a result
            raise
    return paths


def _restore(path: Path, octets: bytes | None) -> None:
    """Make a file what it was: these octets, or none at all."""
    from lowpanbudget.cli.output import write_whole

    if octets is None:
        path.unlink(missing_ok=True)
    elif path.read_bytes() != octets:
        write_whole(str(path), octets)


def _standing(path: Path, *, force: bool) -> bytes | None:
    """Return what a file holds that may be overwritten, or None where there is none."""
    from lowpanbudget.payload.c.source import MARKER

    try:
        if not path.exists():
            return None
        if not path.is_file():
            raise RequestError(
                f"{path} is there already and is no file", hint="Choose another folder or --prefix"
            )
        octets = path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RequestError(
            f"{path} cannot be read: {reason}", hint="Choose another folder or --prefix"
        ) from None
    if not force and not octets.startswith(MARKER.encode()):
        raise RequestError(
            f"{path} is there already and was not generated by this program",
            hint="Choose another folder or --prefix, or overwrite it with --force",
        )
    return octets
