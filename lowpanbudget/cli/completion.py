"""What a shell completes: files, flows and messages of a design that is named already, terms that can be explained."""

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from pathlib import Path

    from click.shell_completion import CompletionItem

_LARGEST = 4 << 20  # octets of a design file
_EXAMPLES = (".toml", ".pcap")


def files(
    _ctx: click.Context, _parameter: click.Parameter, incomplete: str
) -> "list[CompletionItem]":
    """Leave it to the shell, which knows the files."""
    from click.shell_completion import CompletionItem

    return [CompletionItem(incomplete, type="file")]


def flows(
    ctx: click.Context, _parameter: click.Parameter, incomplete: str
) -> "list[CompletionItem]":
    """Return the flows of the design on the command line."""
    return _beginning(named(ctx, "flow"), incomplete)


def axes(
    ctx: click.Context, _parameter: click.Parameter, incomplete: str
) -> "list[CompletionItem]":
    """Return the axes of the design on the command line, or of its flow there; behind the equals sign their values."""
    from lowpanbudget.design.load import load_design
    from lowpanbudget.errors import LowpanError
    from lowpanbudget.room.sweep.axes import axis_values

    path = next((path for path in (ctx.params.get("design"), *ctx.args) if path), None)
    try:
        design = load_design(str(path))
        name = ctx.params.get("flow")
        flows = design.flows if name is None else (design.flow(name),)
    except LowpanError:
        return []
    found = {axis: values for flow in flows for axis, values in axis_values(design, flow).items()}
    axis, equals, _ = incomplete.partition("=")
    if equals:
        return _beginning([f"{axis}={value}" for value in found.get(axis, ())], incomplete)
    return _beginning([f"{name}=" for name in found], incomplete)


def bursts(
    ctx: click.Context, _parameter: click.Parameter, incomplete: str
) -> "list[CompletionItem]":
    """Return the bursts of the design on the command line."""
    return _beginning(named(ctx, "burst"), incomplete)


def stations(
    ctx: click.Context, _parameter: click.Parameter, incomplete: str
) -> "list[CompletionItem]":
    """Return the stations of the design on the command line."""
    return _beginning(named(ctx, "station"), incomplete)


def messages(
    ctx: click.Context, _parameter: click.Parameter, incomplete: str
) -> "list[CompletionItem]":
    """Return the messages of the design on the command line."""
    return _beginning(named(ctx, "message"), incomplete)


def examples() -> dict[str, "Path"]:
    """Return the files of the examples by name: in the package where it was installed, else in the project's folder."""
    from pathlib import Path

    package = Path(__file__).parents[1]
    folders = (package / "examples", package.parent / "examples")
    folder = next((one for one in folders if one.is_dir()), package)
    return {file.name: file for file in sorted(folder.iterdir()) if file.suffix in _EXAMPLES}


def example_names(
    _ctx: click.Context, _parameter: click.Parameter, incomplete: str
) -> "list[CompletionItem]":
    """Return the names of the examples."""
    return _beginning(list(examples()), incomplete)


def terms(
    ctx: click.Context, parameter: click.Parameter, incomplete: str
) -> "list[CompletionItem]":
    """Return the next words of the terms that begin with those on the command line."""
    from lowpanbudget.report.known_terms import all_terms

    before = "".join(f"{word} " for word in ctx.params.get(parameter.name or "") or ()).lower()
    names = {term.name for group in all_terms() for term in group}
    following = {name[len(before) :] for name in names if name.lower().startswith(before)}
    return _beginning(sorted({name.split()[0] for name in following if name.split()}), incomplete)


def named(ctx: click.Context, table: str) -> list[str]:
    """Return the names of tables in the design file; none where there is no such file, or it is wrong."""
    import tomllib
    from pathlib import Path

    # an option that waits for its value leaves the arguments before it unread
    given = [ctx.params.get("design"), ctx.params.get("old"), *ctx.args]
    path = next((path for path in given if path), None)
    try:
        with Path(str(path)).open("rb") as file:
            design: dict[str, Any] = tomllib.loads(file.read(_LARGEST).decode("utf-8-sig"))
        return [str(one["name"]) for one in design[table]]
    except (OSError, ValueError, LookupError, TypeError, RecursionError):
        return []


def _beginning(names: list[str], incomplete: str) -> "list[CompletionItem]":
    from click.shell_completion import CompletionItem

    wanted = incomplete.lower()
    return [CompletionItem(name) for name in names if name.lower().startswith(wanted)]
