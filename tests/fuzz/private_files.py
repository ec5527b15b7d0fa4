"""Key files and pages: files that hold secrets, and files that are shown to others. No octet of a key gets out."""

import atexit
import re
import shutil
import tempfile
from pathlib import Path

from fuzz.capture_files import capture
from fuzz.captures import known
from fuzz.design_files import made
from fuzz.designs import parsed
from fuzz.registry import OUTCOMES, check_request, check_secrecy, entry, refusal

from lowpanbudget import RequestError, page_of_capture, page_of_design, read_keys

PLACE = Path(
    tempfile.mkdtemp(prefix="fuzz-", dir="/dev/shm" if Path("/dev/shm").is_dir() else None)
)
atexit.register(shutil.rmtree, PLACE, ignore_errors=True)
# what may be a secret of a key file: so many octets of hex in a row
SECRET = re.compile(rb"[0-9a-fA-F]{16,}")


def written(name: str, octets: bytes) -> Path:
    """Return the path of a file with these octets, which its owner alone may read."""
    path = PLACE / name
    path.touch(0o600)
    path.write_bytes(octets)
    return path


@entry("key file", longest=900)
def any_keys(data: bytes) -> None:
    """A key file is read, or refused without a word of what it holds."""
    path = written("keys.toml", data)
    try:
        ring = read_keys(str(path))
    except RequestError as error:
        check_request(error)
        text = f"{error!r} {error} {error.hint}"
        OUTCOMES[refusal(error)] += 1
    else:
        # EUI-64s of devices are no secret
        text = f"{ring.keys!r} {ring.oscore!r} {ring.dtls!r} " + repr(ring).split("devices=")[0]
        OUTCOMES["keys"] += 1
    lower = text.lower().replace(str(path), "")
    for found in SECRET.findall(data):
        digits = found.decode().lower()
        assert not any(digits[at : at + 12] in lower for at in range(0, len(digits) - 11, 4))


def check_page(page: str) -> None:
    """A page is whole, and what a file says stands in it as text alone."""
    assert page.startswith("<!doctype html>")
    assert page.rstrip().endswith("</html>")
    assert "<script>alert" not in page
    assert not re.search("[\x00-\x08\x0b\x0e-\x1f\x7f]", page)


@entry("page of a capture", longest=600, slow_s=4.0, most_mb=32, inputs=10_000)
def any_capture_page(data: bytes) -> None:
    choice = data[0] if data else 0
    octets = capture(data[1:])
    path = written("page.pcap", octets)
    try:
        page = page_of_capture(str(path), frames=1 + (choice & 15), **known(choice))
    except RequestError as error:
        check_request(error)
        OUTCOMES[refusal(error)] += 1
        return
    check_page(page)
    check_secrecy(page, octets, data)  # what was sealed of it is opened again
    OUTCOMES["a page"] += 1


@entry("page of a design", longest=60, slow_s=8.0, most_mb=48, inputs=10_000)
def any_design_page(data: bytes) -> None:
    design = parsed(made(bytes([data[0] & 0xF0 if data else 0]) + data[1:]))
    if design is None:
        return
    try:
        page = page_of_design(design, combinations=8, network=False)
    except RequestError as error:
        check_request(error)
        OUTCOMES[refusal(error)] += 1
        return
    check_page(page)
    OUTCOMES["a page"] += 1
