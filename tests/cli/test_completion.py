"""What shells are told when they ask: click's protocol, with the answers of this program."""

from collections.abc import Callable

import pytest
from click.testing import Result

Invoke = Callable[..., Result]
ARCHIVE = "examples/archive.toml"

ASKED = [
    (("ex",), {"expand", "explain"}),
    (("fit", "--m"), {"--message", "--max-frames"}),
    (("fit", ARCHIVE, "--message", "cl"), {"climate", "climate_batch"}),
    (("budget", ARCHIVE, "--flow", "s"), {"settings", "service"}),
    (("unpack", ARCHIVE, "d"), {"door_alarm"}),
    (("pack", ARCHIVE, "d"), {"door_alarm"}),
    (("compatible", ARCHIVE, ARCHIVE, "--message", "l"), {"label"}),
    (("explain", "link.a"), {"link.addresses", "link.acknowledged"}),
    (("explain", "context-t"), {"context-table-differs"}),
    (("explain", "hop", "limit", "f"), {"form"}),
    (("init", "--routing", "no"), {"none", "non-storing"}),
    (("audit", "x.pcap", "--design", ARCHIVE, "--node", "g"), {"gateway"}),
    (("annotate", "x.pcap", "--design", ARCHIVE, "--flow", "s"), {"settings", "service"}),
    (("survey", "--s"), {"--since"}),
    (("budget", "none.toml", "--flow", ""), set()),
    (("budget", "README.md", "--flow", ""), set()),
]


def asked(invoke: Invoke, shell: str, *words: str) -> list[list[str]]:
    """Return what the program answers: the parts of each item."""
    line = " ".join(("lowpanbudget", *words))
    place = words[-1] if shell == "fish" else str(len(words))
    done = invoke(_LOWPANBUDGET_COMPLETE=f"{shell}_complete", COMP_WORDS=line, COMP_CWORD=place)
    assert done.exit_code == 0
    assert done.stderr == ""
    lines = [line for line in done.stdout.splitlines() if line]
    if shell == "zsh":  # a kind, a value and a help text, each on a line of its own
        return [lines[at : at + 2] for at in range(0, len(lines), 3)]
    return [line.split(",", 1) for line in lines]


@pytest.mark.parametrize(("words", "answers"), ASKED, ids=[" ".join(words) for words, _ in ASKED])
@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_names_are_completed(
    invoke: Invoke, shell: str, words: tuple[str, ...], answers: set[str]
) -> None:
    told = asked(invoke, shell, *words)
    assert {value.split("\t")[0] for _, value in told} == answers
    assert all(kind == "plain" for kind, _ in told)


@pytest.mark.parametrize(
    "words", [("fit", "ex"), ("annotate", "ex"), ("audit", "x.pcap", "--keys", "k"), ("schema", "-o", "s")]
)  # fmt: skip
def test_files_are_left_to_the_shell(invoke: Invoke, words: tuple[str, ...]) -> None:
    assert asked(invoke, "bash", *words)[0][0] == "file"


def test_nothing_is_written_when_asking_goes_wrong(invoke: Invoke) -> None:
    done = invoke(_LOWPANBUDGET_COMPLETE="bash_complete", COMP_WORDS="lowpanbudget", COMP_CWORD="x")
    assert done.output == ""
