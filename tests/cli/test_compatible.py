"""Only what is misread silently answers no; what is refused, by all or by some, does where it is asked for."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from lowpanbudget.payload.search.compatible import Outcome

Invoke = Callable[..., Result]
ARCHIVE = Path("examples/archive.toml")


@pytest.mark.parametrize(
    ("old", "new", "outcome", "codes"),
    [
        # the version in front: receivers of version 1 know that they cannot read it
        ('name = "version"\nvalue = 1\n\n[[message.field]]\nkind = "enumeration"\nname = "door"',
         'name = "version"\nvalue = 2\n\n[[message.field]]\nkind = "enumeration"\nname = "door"', "refused", (0, 1)),
        # names in another order: their codes stand for other doors
        ('names = ["north", "south", "vault"]\n\n[[message.field]]\nkind = "boolean"\nname = "open"',
         'names = ["south", "north", "vault"]\n\n[[message.field]]\nkind = "boolean"\nname = "open"',
         "misread", (1, 1)),
        # a bit more falls into those that fill the last octet; an octet more comes behind what is read
        ('unit = "lx"\nat = 16', 'unit = "lx"\nat = 16\n\n[[message.field]]\nkind = "boolean"\nname = "loud"',
         "read right", (0, 0)),
        ('unit = "lx"\nat = 16',
         'unit = "lx"\nat = 16\n\n[[message.field]]\nkind = "number"\nname = "loud"\nmin = 0\nmax = 255',
         "right as a prefix", (0, 1)),
    ],
)  # fmt: skip
def test_exit_codes(
    invoke: Invoke, tmp_path: Path, old: str, new: str, outcome: str, codes: tuple[int, int]
) -> None:
    text = ARCHIVE.read_text("utf-8")
    assert old in text
    file = tmp_path / "new.toml"
    file.write_text(text.replace(old, new, 1), "utf-8")
    args = ("compatible", ARCHIVE, file, "--message", "door_alarm")
    assert (invoke(*args).exit_code, invoke(*args, "--strict").exit_code) == codes
    tail = invoke(*args, "--strict", "--ignore-tail").exit_code
    assert tail == (0 if "right" in outcome else 1)
    (told,) = json.loads(invoke(*args, "--json").stdout)["compatible"]
    assert told["outcome"] == told["changes"][0]["outcome"] == outcome
    assert told["safe"] == (outcome == "read right")
    shown = invoke(*args).stdout
    assert (outcome.upper() if outcome == "misread" else outcome) in shown


def test_its_columns_are_told(invoke: Invoke) -> None:
    """The last is by how many bits the greatest message grows, and the verdicts are those that are printed."""
    told = " ".join(invoke("explain", "compatible").stdout.split())
    assert "Bits that the greatest message grows by (+), or shrinks by (-)." in told
    assert all(one.value in told for one in Outcome)
