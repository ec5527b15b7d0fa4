"""Only what is misread silently answers no; what is refused, by all or by some, does where it is asked for."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from lowpanbudget.payload.search.receiver import Outcome

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


def test_another_unit_of_the_same_quantity_is_no_no(invoke: Invoke, tmp_path: Path) -> None:
    """1 lx is 1000 mlx (SI): as many steps of 1000, and the same octets."""
    text, light = ARCHIVE.read_text("utf-8"), 'max = 100_000\nunit = "lx"\nat = 16'
    file = tmp_path / "new.toml"
    assert light in text
    other = light.replace("100_000", "100_000_000\nstep = 1000").replace("lx", "mlx")
    file.write_text(text.replace(light, other, 1), "utf-8")
    done = invoke("compatible", ARCHIVE, file, "--message", "door_alarm", "--strict")
    assert done.exit_code == 0
    told = "right in another unit: an old receiver reads all its fields right; light in lx"
    assert told in " ".join(done.stdout.split())


def test_a_change_that_is_misread_by_itself_is_refused_with_the_others(
    invoke: Invoke, tmp_path: Path
) -> None:
    """The lines that decide say so; only what decides stands in capitals."""
    names = (
        'names = ["north", "south", "vault"]\n\n[[message.field]]\nkind = "boolean"\nname = "open"'
    )
    text, file = ARCHIVE.read_text("utf-8"), tmp_path / "new.toml"
    other = text.replace(names, names.replace('"north", "south"', '"south", "north"'), 1)
    front = 'name = "version"\nvalue = 1\n\n[[message.field]]\nkind = "enumeration"\nname = "door"'
    file.write_text(other.replace(front, front.replace("= 1", "= 2"), 1), "utf-8")
    done = invoke("compatible", ARCHIVE, file, "--message", "door_alarm")
    shown = " ".join(done.stdout.split())
    assert done.exit_code == 0
    assert "These lines decide, also the exit code." in shown
    assert shown.startswith("Message door_alarm")
    assert "refused: an old receiver refuses all messages" in shown
    assert " misread " in shown
    assert "MISREAD" not in shown


def test_new_receivers_of_old_messages_are_told_of(invoke: Invoke, tmp_path: Path) -> None:
    """A bit more falls into those that fill the last octet, where old messages have 0: false, which nobody sent."""
    file = tmp_path / "new.toml"
    text, last = ARCHIVE.read_text("utf-8"), 'unit = "lx"\nat = 16'
    more = f'{last}\n\n[[message.field]]\nkind = "boolean"\nname = "loud"'
    file.write_text(text.replace(last, more, 1), "utf-8")
    forth = invoke("compatible", ARCHIVE, file, "--message", "door_alarm")
    assert forth.exit_code == 0
    shown = " ".join(forth.stdout.split())
    assert "MISREAD: a new receiver of old messages reads loud = false, which was not sent" in shown
    assert "The version is the same in both formats. Where it counts up with the format" in shown
    codes = [
        invoke("compatible", *files, "--message", "door_alarm", "--receivers", who).exit_code
        for files in ((ARCHIVE, file), (file, ARCHIVE))
        for who in ("old", "new", "both")
    ]
    assert codes == [0, 1, 1, 1, 0, 1]


def test_what_is_misread_without_a_tail_is_misread_where_tails_are_ignored(
    invoke: Invoke, tmp_path: Path
) -> None:
    """An octet comes in before the light, whose last octet the old format then leaves behind."""
    file = tmp_path / "new.toml"
    light = '[[message.field]]\nkind = "number"\nname = "light"'
    more = light.replace("light", "loud") + "\nmin = 0\nmax = 255\n\n" + light
    text = ARCHIVE.read_text("utf-8").replace(light, more, 1).replace("at = 16", "at = 24", 1)
    file.write_text(text, "utf-8")
    args = ("compatible", ARCHIVE, file, "--message", "door_alarm")
    assert (invoke(*args).exit_code, invoke(*args, "--ignore-tail").exit_code) == (0, 1)
    told = " ".join(invoke(*args).stdout.split())
    assert "refuses all messages: the message ends here, with 1 octet after it" in told
    assert "door_alarm_unpack_prefix ignores them and misreads: light = " in told


def test_its_columns_are_told(invoke: Invoke) -> None:
    """The last is by how many bits the greatest message grows, and the verdicts are those that are printed."""
    told = " ".join(invoke("explain", "compatible").stdout.split())
    assert "Bits that the greatest message grows by (+), or shrinks by (-)." in told
    assert all(one.value in told for one in Outcome)
