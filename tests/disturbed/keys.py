"""What a traceback, a debugger or a log would show of keys: every variable of every call, while keys are at work.

A variable is shown by its ``repr``. ``Watch`` looks at those of all calls of the package whenever one is entered, comes
to a line, raises or returns: what an exception there would show. ``injected`` raises at places on purpose, and reads
what three ways to print a traceback make of it. ``SCENARIOS`` are what people do with keys.
"""

import base64
import contextlib
import io
import pickle
import random
import sys
import traceback
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from types import FrameType
from typing import Any

import lowpanbudget
from lowpanbudget.layers.link.security import Key

PACKAGE = str(Path(lowpanbudget.__file__).parent)
LINK = bytes.fromhex("6578616d706c652d61726368697665ff")  # as examples/archive.keys.toml has it
MASTER = bytes.fromhex("a91f3c7744d2560b83e81fd07a6c25be")  # invented, as the next two
WRITE = bytes.fromhex("71e0b42c98fd1563ca07328e5db94f06")
SEQUENCE = bytes.fromhex("3d9a05f1e8627b4cd0198e43f7562ab1")
IV = bytes.fromhex("f04ac83b917de6255c0ab374")
KEY_FILE = f"""
[[key]]
octets = "{LINK.hex()}"
key_id_mode = 1
index = 1

[devices]
"0x0101" = "025e200000000101"

[[oscore]]
master_secret = "{MASTER.hex()}"
sender_id = "01"
recipient_id = "02"

[[dtls]]
suite = "TLS_AES_128_CCM_SHA256"
key = "{WRITE.hex()}"
iv = "{IV.hex()}"
sn_key = "{SEQUENCE.hex()}"
"""
SECRETS = (LINK, MASTER, WRITE, SEQUENCE, IV)
# what takes keys as a caller gives them: until these return, plain octets are known to them and to who called
TAKING = {
    "keys_of",
    "of",
    "check_known",
    "_octets",
    "__init__",
    "__post_init__",
    "derive",
    "as_octets",
}


# whatever is raised in these leaves them without its steps
CUT = ("hidden.py", "text_log.py", "hex_dump.py", "source.py")


def forms(secret: bytes) -> set[str]:
    """Return how octets may be written."""
    numbers = list(secret)
    return {
        secret.hex(), secret.hex().upper(), secret.hex(" "), secret.hex(":"), secret.hex("-"),
        repr(secret)[2:-1], repr(bytearray(secret))[12:-2], str(numbers)[1:-1], str(numbers[::-1])[1:-1],
        ",".join(map(str, numbers)), ", ".join(map(hex, numbers)), base64.b64encode(secret).decode().rstrip("="),
        str(int.from_bytes(secret, "big")), f"{int.from_bytes(secret, 'big'):x}", str(int.from_bytes(secret, "little")),
    }  # fmt: skip


FORMS = frozenset(form for secret in SECRETS for form in forms(secret))
SHORTEST = min(map(len, FORMS))  # most variables hold less
RAW = tuple(SECRETS)


def shown_in(text: str) -> bool:
    """Return whether a text shows a key in any form."""
    return len(text) >= SHORTEST and any(form in text for form in FORMS)


def shown_in_octets(octets: bytes) -> bool:
    """Return whether octets of a file or a pickle hold a key, as it is or in any form of text."""
    return any(secret in octets for secret in RAW) or shown_in(octets.decode("latin-1"))


class Watch:
    """A tracer that looks at the variables of calls of the package; ``found`` says where one shows a key.

    ``lines``: at every line of a call too. ``given``: keys come as plain octets, so calls that take them are passed
    over.
    """

    def __init__(self, *, lines: bool = False, given: bool = False) -> None:
        self.lines, self.given = lines, given
        self.found: set[str] = set()
        self.looked = 0
        self._clean: dict[int, object] = {}

    def __call__(self, frame: FrameType, event: str, _argument: object) -> "Watch | None":
        if not frame.f_code.co_filename.startswith(PACKAGE) or frame.f_code.co_filename.endswith(
            CUT
        ):
            return None
        if self.given:
            if event == "call" and frame.f_code.co_name not in TAKING:
                self._look_up(frame.f_back)
            return None
        if event != "line" or self.lines:
            self._look(frame, event)
        return self

    def _look_up(self, frame: FrameType | None) -> None:
        """Look at those who called, up to one who hands keys on that were just given."""
        while frame is not None and frame.f_code.co_filename.startswith(PACKAGE):
            if frame.f_code.co_name in TAKING:
                return
            self._look(frame, "above")
            frame = frame.f_back

    def _look(self, frame: FrameType, event: str) -> None:
        for name, value in frame.f_locals.items():
            if self._clean.get(id(value)) is value and value is not None:
                continue
            self.looked += 1
            try:
                text = repr(value)
            except Exception:  # noqa: BLE001  # a value in the making
                continue
            if shown_in(text):
                code = frame.f_code
                self.found.add(
                    f"{code.co_filename[len(PACKAGE) + 1 :]}:{frame.f_lineno} {code.co_name}: {name} ({event})"
                )
            elif type(value) in _FIXED:
                self._clean[id(value)] = value


_FIXED = {bytes, str, int, Path, Key, *map(type, (Watch, len, random))}


@contextlib.contextmanager
def watched(watch: Watch) -> Iterator[None]:
    """Let a tracer see what is called in the block."""
    before = sys.gettrace()
    sys.settrace(watch)
    try:
        yield
    finally:
        sys.settrace(before)


# --- what people do with keys ---------------------------------------------------------------------


def command(*words: str) -> str:
    """Return all that a command prints in this process."""
    from lowpanbudget.cli.main import run

    out, said, before = io.BytesIO(), io.StringIO(), sys.argv
    text = io.TextIOWrapper(out, "utf-8", write_through=True)
    sys.argv = ["lowpanbudget", *words]
    try:
        with (
            contextlib.redirect_stdout(text),
            contextlib.redirect_stderr(said),
            contextlib.suppress(SystemExit),
        ):
            run()
    finally:
        sys.argv = before
    text.flush()
    return out.getvalue().decode() + said.getvalue()


def scenarios(folder: Path) -> dict[str, Callable[[], object]]:
    """Return what people do with keys, in a folder of inputs whose key file is ``all.keys.toml``."""
    at = {path.name: str(path) for path in folder.iterdir()}
    design, capture, keys = at["archive.toml"], at["short.pcap"], at["all.keys.toml"]
    reads = ("--design", design, "--keys", keys)
    made = str(folder / "made")
    return {
        "key file": lambda: lowpanbudget.read_keys(keys),
        "audit": lambda: command("audit", capture, *reads),
        "survey": lambda: command("survey", capture, *reads, "--json", "--table", f"{made}.csv"),
        "annotate": lambda: command("annotate", capture, *reads, "--json"),
        "measure": lambda: command("measure", capture, *reads, "--svg", f"{made}.svg"),
        "expand": lambda: command("expand", capture, *reads, "-o", f"{made}.pcap"),
        "decrypt": lambda: command("expand", capture, *reads, "--decrypted", "-o", f"{made}.open.pcap"),
        "shrink": lambda: command(
            "shrink", at["datagrams.txt"], "--design", design, "--keys", keys, "-o", f"{made}.sent.pcap",
            "--frame-counter", "7", "--flow", "climate",
        ),
        "page": lambda: command("page", capture, *reads, "--contents", "-o", f"{made}.html"),
        **{
            f"key file with {name}": partial(command, "audit", capture, "--keys", path)
            for name, path in at.items()
            if name.startswith("wrong-")
        },
        "OSCORE": lambda: _oscore(lowpanbudget.read_keys(keys)),
        "DTLS": lambda: _dtls(lowpanbudget.read_keys(keys)),
    }  # fmt: skip


def _oscore(ring: "lowpanbudget.KeyRing") -> object:
    from lowpanbudget import open_oscore_request, protect_oscore_request, protect_oscore_response

    context = ring.oscore[0]
    sent = protect_oscore_request(
        bytes.fromhex("44015d1f00003974396c6f63616c686f737483747631"), context, sequence=20
    )
    opened = open_oscore_request(sent.octets, context.other_end)
    return protect_oscore_response(
        bytes.fromhex("64455d1f00003974ff48656c6c6f"), context.other_end, opened.binding
    )


def _dtls(ring: "lowpanbudget.KeyRing") -> object:
    from lowpanbudget import open_dtls, seal_dtls

    sender = ring.dtls[0]
    record = seal_dtls(b"some data", sender.keys, sender.suite, epoch=3, sequence=5)
    return open_dtls(record, sender.keys, sender.suite)


def given(folder: Path) -> dict[str, Callable[[], object]]:
    """Return what people do with keys that they hold as octets or hex themselves."""
    capture = str(folder / "short.pcap")
    with lowpanbudget.read_capture(capture) as records:
        first = next(records).octets
    known: dict[str, Any] = {"keys": [LINK, LINK.hex()], "devices": {0x0101: "025e200000000101"}}
    context = lowpanbudget.SecurityContext.derive(MASTER, sender_id=b"\1", recipient_id=b"\2")
    devices = {0x0000: "025e200000000000", 0x0101: "025e200000000101"}
    heads = (frame.frame.mac for frame in lowpanbudget.follow(capture))
    sealed = next(head for head in heads if head is not None and head.security)
    return {
        "decode_frame": lambda: lowpanbudget.decode_frame(first, **known),
        "Decoder": lambda: lowpanbudget.Decoder(**known).frame(first),
        "encode_frame": lambda: lowpanbudget.encode_frame(
            sealed, b"ab", key=LINK.hex(), asn=5, devices=devices
        ),
        "follow": lambda: list(lowpanbudget.follow(capture, **known)),
        "annotate": lambda: lowpanbudget.annotate(capture, 3, **known),
        "audit": lambda: lowpanbudget.audit(capture, **known),
        "survey": lambda: lowpanbudget.survey(capture, **known),
        "survey_files": lambda: list(lowpanbudget.survey_files([capture], **known)),
        "frame_rows": lambda: list(lowpanbudget.frame_rows(capture, **known)),
        "list_frames": lambda: lowpanbudget.list_frames(capture, **known),
        "measure": lambda: lowpanbudget.measure(capture, **known),
        "expand": lambda: list(lowpanbudget.expand(capture, **known)),
        "decrypt": lambda: list(lowpanbudget.decrypt(capture, **known)),
        "page": lambda: lowpanbudget.page_of_capture(capture, **known),
        "SecurityContext": lambda: _oscore_of(context),
        "RecordKeys": lambda: lowpanbudget.seal_dtls(
            b"x", lowpanbudget.RecordKeys(WRITE, IV, SEQUENCE),
            lowpanbudget.dtls_suite("TLS_AES_128_CCM_SHA256"), epoch=3, sequence=1,
        ),
    }  # fmt: skip


def _oscore_of(context: "lowpanbudget.SecurityContext") -> object:
    return lowpanbudget.protect_oscore_request(
        bytes.fromhex("44015d1f000039740161"), context, sequence=1
    )


WRONG = {
    "wrong-quote": f'[[key]]\noctets = "{LINK.hex()}\n',
    "wrong-bare": f"[[key]]\noctets = {LINK.hex()}\n",
    "wrong-number": f"[[key]]\noctets = {int.from_bytes(LINK, 'big')}\n",
    "wrong-place": f'[[key]]\noctets = "{LINK.hex()}"\nindex = "{WRITE.hex()}"\n',
    "wrong-name": f'[[key]]\n"{LINK.hex()}" = 1\n',
    "wrong-top": f'"{LINK.hex()}" = "{WRITE.hex()}"\n',
    "wrong-length": f'[[key]]\noctets = "{LINK.hex()}00"\n',
    "wrong-hex": f'[[key]]\noctets = "{LINK.hex()}zz"\n',
    "wrong-oscore": f'[[oscore]]\nmaster_secret = "{MASTER.hex()}"\nsender_id = "{LINK.hex()}"\nrecipient_id = "02"\n',
    "wrong-dtls": f'[[dtls]]\nsuite = "{WRITE.hex()}"\nkey = "{WRITE.hex()}"\niv = "{IV.hex()}"\n',
    "wrong-iv": f'[[dtls]]\nsuite = "TLS_AES_128_CCM_SHA256"\nkey = "{WRITE.hex()}"\niv = "{WRITE.hex()}"\n',
    "wrong-device": f'[[key]]\noctets = "{LINK.hex()}"\n[devices]\n"0x01" = "{WRITE.hex()}"\n',
}


def prepare(folder: Path) -> None:
    """Put key files into a folder of inputs."""
    for name, text in {"all.keys.toml": KEY_FILE, **WRONG}.items():
        (folder / name).write_text(text)
        (folder / name).chmod(0o600)


# --- exceptions on purpose ------------------------------------------------------------------------


class Injected(Exception):
    """What is raised where nothing is wrong."""


class Injection:
    """A tracer that counts calls of the package, and raises in the n-th."""

    def __init__(self, place: int) -> None:
        self.place, self.seen, self.error = place, 0, None

    def __call__(self, frame: FrameType, event: str, _argument: object) -> None:
        if event == "call" and frame.f_code.co_filename.startswith(PACKAGE):
            self.seen += 1
            if self.seen == self.place:
                raise Injected


def printed(error: BaseException) -> str:
    """Return what ways to print a traceback with variables make of an error, from its first step in the package on."""
    from rich.console import Console
    from rich.traceback import Traceback

    step = error.__traceback__
    while step is not None and not step.tb_frame.f_code.co_filename.startswith(PACKAGE):
        step = step.tb_next
    if step is None:
        return ""
    plain = traceback.TracebackException(type(error), error, step, capture_locals=True)
    page = io.StringIO()
    console = Console(file=page, width=400, color_system=None)
    with contextlib.suppress(Exception):
        console.print(
            Traceback.from_exception(
                type(error),
                error,
                step,
                show_locals=True,
                locals_max_length=10_000,
                locals_max_string=100_000,
                max_frames=500,
            )
        )
    return "".join(plain.format()) + page.getvalue() + _one_by_one(error)


def _one_by_one(error: BaseException | None) -> str:
    """Return the variables of all steps of the package in an error and those that it came from."""
    texts: list[str] = []
    seen: set[int] = set()
    while error is not None and id(error) not in seen:
        seen.add(id(error))
        texts += [
            repr(error),
            str(error),
            repr(error.args),
            repr(vars(error)),
            *getattr(error, "__notes__", []),
        ]
        for frame, _ in traceback.walk_tb(error.__traceback__):
            if (
                frame.f_code.co_filename.startswith(PACKAGE)
                or "tomllib" in frame.f_code.co_filename
            ):
                for value in frame.f_locals.values():
                    with contextlib.suppress(Exception):
                        texts.append(repr(value))
        error = error.__cause__ or error.__context__
    return "\n".join(texts)


def places_of(act: Callable[[], object], count: int) -> Sequence[int]:
    """Return at which calls of an act exceptions are raised."""
    counting = Injection(-1)
    before = sys.gettrace()
    sys.settrace(counting)
    try:
        act()
    finally:
        sys.settrace(before)
    every = range(1, counting.seen + 1)
    return sorted(random.Random(counting.seen).sample(every, min(count, len(every))))


def injected(act: Callable[[], object], place: int) -> str:
    """Return all that is printed when an exception is raised in the n-th call of an act."""
    import lowpanbudget.cli.faults as told

    said: list[str] = []
    report = told.report

    def reporting(error: BaseException, *given: Any, **more: Any) -> int:
        said.append(printed(error))
        return report(error, *given, **more)

    before = sys.gettrace()
    told.report = reporting
    sys.settrace(Injection(place))
    try:
        result = act()
        said.append(result if isinstance(result, str) else repr(result))
    except Exception as error:  # noqa: BLE001  # what comes out is what is looked at
        sys.settrace(None)
        said.append(printed(error))
    finally:
        sys.settrace(before)
        told.report = report
    return "\n".join(said)


def pickled(acts: dict[str, Callable[[], object]]) -> Iterator[tuple[str, bytes]]:
    """Yield what results look like to a program that keeps them; those that cannot be kept are left out."""
    for name, act in acts.items():
        result = act()
        with contextlib.suppress(TypeError, AttributeError, pickle.PicklingError):
            yield name, pickle.dumps(result)
