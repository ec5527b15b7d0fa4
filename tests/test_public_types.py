"""Types for those whose programs pass ``mypy --strict``: a script that uses the public surface, read by mypy."""

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest
import typed_use
from contract import air
from test_public_frozen import ARCHIVE, FOOTBRIDGE, frames_of_vectors

import lowpanbudget
from lowpanbudget import Decoder, read_capture
from lowpanbudget.stack.layer import Layer

HERE = Path(__file__).parent
EXAMPLES = HERE.parent / "examples"


def test_the_script_runs() -> None:
    frame = typed_use.frames(air.A_FRAME)
    assert frame.layers
    typed_use.headers()
    design = typed_use.plans(EXAMPLES / "archive.toml")
    typed_use.captures(EXAMPLES / "archive-burst.pcap", design)


@pytest.mark.long
def test_the_script_passes_mypy_strict_beside_the_package(tmp_path: Path) -> None:
    """PEP 561: types of an installed package are read because of its marker, without a word of configuration."""
    pytest.importorskip("mypy")
    script = shutil.copy(HERE / "typed_use.py", tmp_path)
    around = {name: value for name, value in os.environ.items() if name != "MYPYPATH"}
    asked = [
        sys.executable,
        "-m",
        "mypy",
        "--strict",
        "--config-file=",
        "--cache-dir=cache",
        script,
    ]
    done = subprocess.run(  # our own interpreter
        asked, cwd=tmp_path, env=around, capture_output=True, text=True, check=False
    )
    assert done.stdout == "Success: no issues found in 1 source file\n", done.stdout + done.stderr


def test_the_layers_of_a_frame_are_of_the_classes_that_its_type_names() -> None:
    """All of them have public names: what is found can be told by ``isinstance``."""
    named = set(get_args(Layer))
    assert {kind.__name__ for kind in named} <= set(lowpanbudget.__all__)
    frames = [*frames_of_vectors()]
    found = {type(layer) for frame in frames for layer in frame.layers}
    for name, design in (("archive", ARCHIVE), ("footbridge", FOOTBRIDGE)):
        decoder = Decoder(contexts=design.contexts)
        for record in read_capture(EXAMPLES / f"{name}.pcap"):
            found |= {type(layer) for layer in decoder.frame(record.octets).layers}
    assert found <= named
    assert len(found) > 20  # of 29


def test_options_are_of_the_classes_that_their_type_names() -> None:
    """Of all vectors: which of them it is can be asked of the type, and none is left out of it."""
    seen: set[type] = set()
    for frame in frames_of_vectors():
        for value in (head.value for head in frame.packet.heads):
            waiting: list[Any] = [getattr(value, "message", None), value]
            while waiting:
                holder = waiting.pop()
                for name in ("options", "metrics", "items", "message"):
                    if type(holder).__name__ in ("CoapMessage", "dict"):
                        continue
                    held = getattr(holder, name, None)
                    hint = get_type_hints(type(holder)).get(name) if held else None
                    if hint is None:
                        continue
                    each = get_args(hint)[0] if isinstance(held, tuple) else hint
                    kinds = get_args(each) or (each,)
                    for one in held if isinstance(held, tuple) else (held,):
                        assert type(one) in kinds, (type(holder), name, type(one))
                        seen.add(type(one))
                        waiting.append(one)
    assert len(seen) > 30
