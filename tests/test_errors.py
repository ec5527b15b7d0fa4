"""Errors say where, why, which section, and what would help."""

import copy
import pickle
from typing import Any

import pytest

import lowpanbudget
from lowpanbudget import decode_frame, errors
from lowpanbudget.cites import Cite, ieee, rfc
from lowpanbudget.payload.flaws import Flaw, FlawedMessage


def test_a_wire_error_leads_with_its_place() -> None:
    error = errors.Malformed(
        "it is wrong", offset=7, layer="IPHC", cite=rfc(6282, "3.1"), hint="Try this"
    )
    assert str(error) == "octet 7, IPHC: it is wrong (RFC 6282 §3.1). Try this"
    assert error.message == "it is wrong"
    assert str(errors.Truncated("it ends")) == "octet 0: it ends"


def test_a_request_error_needs_no_place() -> None:
    assert (
        str(errors.RequestError("no such flow", hint="There is: up"))
        == "no such flow. There is: up"
    )
    assert errors.DoesNotFit("too long", by=3).by == 3


def test_a_design_error_lists_its_faults() -> None:
    fault = errors.Fault(
        file="a.toml", line=3, column=5, key="link.pan", message="unknown", hint="pan_id?"
    )
    assert str(fault) == "a.toml:3:5: link.pan: unknown. pan_id?"
    error = errors.DesignError("two faults", faults=(fault, fault))
    assert str(error) == f"{fault}\n{fault}"
    assert str(errors.DesignError("cannot read it")) == "cannot read it"


PLACE: dict[str, Any] = {
    "offset": 7,
    "layer": "IPHC",
    "cite": rfc(6282, "3.1"),
    "hint": "Try this",
    "about": 5,
}
FAULT = errors.Fault(file="a.toml", line=3, column=5, key="link.pan", message="unknown")
RAISED: tuple[errors.LowpanError, ...] = (
    errors.LowpanError("no", hint="Try this"),
    *(
        kind("no", **PLACE)
        for kind in (
            errors.WireError, errors.Truncated, errors.Reserved, errors.Malformed, errors.BadMic,
            errors.NotSupported, errors.NoDatagram,
        )
    ),
    errors.RequestError("no", cite=rfc(768), hint="Try this"),
    errors.DesignError("no", faults=(FAULT,), hint="Try this", file="a.toml"),
    errors.RowsError("no", faults=(FAULT,)),
    errors.LacksTables("no", hint="Add this", lines=("[queue]", "frames = 8")),
    errors.DoesNotFit("no", by=3, cite=rfc(768), hint="Try this"),
)  # fmt: skip


@pytest.mark.parametrize("error", RAISED, ids=lambda error: type(error).__name__)
def test_an_error_comes_back_whole_from_another_process(error: errors.LowpanError) -> None:
    error.message = "more is known now"  # as readers say of a place in what they read
    for again in (pickle.loads(pickle.dumps(error)), copy.deepcopy(error)):
        assert (type(again), str(again), vars(again)) == (type(error), str(error), vars(error))
        assert again == error
        assert hash(again) == hash(error)
        again.hint = "Try another"
        assert again != error


def test_every_public_error_is_among_them() -> None:
    public = {getattr(lowpanbudget, name) for name in lowpanbudget.__all__}
    kinds = {one for one in public if isinstance(one, type) and issubclass(one, errors.LowpanError)}
    assert kinds <= {type(error) for error in RAISED}


def test_what_an_error_repeats_at_length_is_cut_in_the_middle() -> None:
    name = "x" * 100_000
    said = f"flow {name!r} is no flow"
    error = errors.RequestError(said, hint=name)
    kept = error.message.replace(" [99018 characters left out] ", "")  # of 100 018
    assert len(kept) == 1000
    assert said.startswith(kept[:700])
    assert said.endswith(kept[700:])
    fault = errors.Fault(file=name, line=1, column=1, key=name, message=said, hint=name)
    flawed = FlawedMessage(name, (Flaw((name,), said, name),))
    assert max(len(str(one)) for one in (error, fault, flawed)) < 5000
    assert errors.shortened(name[:1000]) == name[:1000]


@pytest.mark.parametrize("name", [n for n in vars(errors) if isinstance(vars(errors)[n], type)])
def test_every_error_has_an_exit_code(name: str) -> None:
    found = vars(errors)[name]
    if issubclass(found, errors.LowpanError):
        assert found.exit_code in (2, 3, 70)


@pytest.mark.parametrize(
    ("cite", "text", "link"),
    [
        (
            rfc(6282, "3.1.1"),
            "RFC 6282 §3.1.1",
            "https://www.rfc-editor.org/rfc/rfc6282#section-3.1.1",
        ),
        (rfc(768), "RFC 768", "https://www.rfc-editor.org/rfc/rfc768"),
        (
            rfc(7400, "appendix A"),
            "RFC 7400 appendix A",
            "https://www.rfc-editor.org/rfc/rfc7400#appendix-A",
        ),
        (ieee(2015, "7.2"), "IEEE 802.15.4-2015 §7.2", ""),
        (ieee(2015, "table 7-2"), "IEEE 802.15.4-2015 table 7-2", ""),
    ],
)
def test_cites(cite: Cite, text: str, link: str) -> None:
    assert str(cite) == text
    assert cite.link == link


def test_an_error_that_a_result_keeps_refuses_to_be_changed() -> None:
    frame, again = decode_frame(b"\x61"), decode_frame(b"\x61")
    fault = frame.fault
    assert fault is not None
    known = {frame}
    kept = fault, copy.copy(fault), copy.deepcopy(fault), pickle.loads(pickle.dumps(fault))
    for one in kept:
        for name in ("offset", "layer", "cite", "hint", "message", "about", "args", "new"):
            with pytest.raises(AttributeError, match=rf"Truncated\.{name} cannot be set"):
                setattr(one, name, ("x",))
            with pytest.raises(AttributeError, match="cannot be set"):
                delattr(one, name)
        with pytest.raises(AttributeError, match="cannot be set"):
            one.__setstate__({"hint": "changed"})
        assert one == fault
    # Python sets where an error was raised, and callers add notes: neither says what is wrong
    fault.add_note("while reading the log of Monday")
    with pytest.raises(errors.Truncated) as caught:
        raise fault from ValueError("what led here")
    assert caught.value is fault
    assert isinstance(fault.__cause__, ValueError)
    fault.__traceback__ = fault.__context__ = fault.__cause__ = None
    fault.__suppress_context__ = False
    assert fault == again.fault
    assert frame == again
    assert again in known
    assert frame in known


def test_more_is_said_of_a_copy_of_an_error_that_is_kept() -> None:
    kept = errors.Malformed("no", **PLACE).bare()
    other = kept.but(offset=9)
    assert (kept.offset, other.offset, other.hint, str(other)) == (
        7,
        9,
        "Try this",
        str(kept).replace("7", "9", 1),
    )
    with pytest.raises(AttributeError):
        other.offset = 7
