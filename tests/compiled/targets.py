"""The matrix: compilers, standards, processors; which of them are here, and how each compiles and runs."""

import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from payload.c_library import HERE, Abi

WARNINGS = (
    "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wsign-conversion", "-Wshadow", "-Wcast-qual",
    "-Wundef", "-Wstrict-prototypes", "-Wmissing-prototypes", "-Werror",
)  # fmt: skip
SANITIZERS = ("-fsanitize=address,undefined", "-fno-sanitize-recover=all")
CALLS = (
    "--param",
    "asan-instrumentation-with-call-threshold=0",
)  # the same checks, sooner compiled
UNDEFINED = ("-fsanitize=undefined", "-fno-sanitize-recover=all")
TRAPS = (
    "-fsanitize=undefined",
    "-fsanitize-undefined-trap-on-error",
)  # where there is no library of it
I386 = Abi("32 bits", widest=4)
POWERPC = Abi("32 bits, big-endian", big=True)


@dataclass(frozen=True)
class Target:
    """A compiler with a standard and a processor; ``runner`` runs what it makes, ``linker`` joins in its place."""

    compiler: str
    standard: str
    flags: tuple[str, ...]
    abi: Abi = HERE
    machine: tuple[str, ...] = ()
    runner: tuple[str, ...] = ()
    linker: tuple[str, ...] = ()
    runs: bool = True

    @property
    def family(self) -> str:
        """Return "gcc" or "clang"."""
        return "clang" if "clang" in self.compiler else "gcc"

    @property
    def sanitized(self) -> bool:
        """Return whether what is undefined is looked for."""
        return any("sanitize" in flag for flag in self.flags)

    @property
    def optimised(self) -> bool:
        """Return whether its code is that of a product, whose stack the header bounds."""
        return not self.sanitized and "-O0" not in self.flags

    @property
    def processor(self) -> str:
        """Return a word for the processor."""
        if not self.runs:
            return "cortex-m0+"
        return {HERE: "x86-64", I386: "i386", POWERPC: "powerpc"}[self.abi]

    @property
    def title(self) -> str:
        """Return what a report calls it."""
        level = next((flag for flag in self.flags if flag.startswith("-O")), "-O0")
        named = {SANITIZERS[0]: ", address and undefined", TRAPS[0]: ", undefined"}
        checks = next((named[flag] for flag in self.flags if flag in named), "")
        return f"{self.family} {self.standard} {self.processor} {level}{checks}"

    def compile(self, source: Path, target: Path, *more: str) -> subprocess.CompletedProcess[str]:
        """Return how compiling one file to one object went."""
        words = (
            self.compiler,
            f"-std={self.standard}",
            *self.machine,
            *WARNINGS,
            *self.flags,
            *more,
        )
        return subprocess.run(
            [*words, "-c", "-o", str(target), str(source)],
            capture_output=True, text=True, check=False, cwd=source.parent,
        )  # fmt: skip

    def link(self, target: Path, *objects: Path) -> subprocess.CompletedProcess[str]:
        """Return how linking went."""
        linker = self.linker or (self.compiler, *self.machine)
        sanitizers = self.flags if self.sanitized and not self.linker else ()
        return subprocess.run(
            [*linker, *sanitizers, "-o", str(target), *map(str, objects)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip

    @cached_property
    def missing(self) -> str:
        """Return why it cannot be had here; empty if it can."""
        for program in (self.compiler, *self.runner[:1], *self.linker[:1]):
            if shutil.which(program) is None:
                return f"{program} is not installed"
        with tempfile.TemporaryDirectory() as folder:
            source, target = Path(folder, "try.c"), Path(folder, "try")
            source.write_text(
                "#include <stdint.h>\nint main(void);\nint main(void) { return 0; }\n"
            )
            compiled = self.compile(source, target.with_suffix(".o"))
            if compiled.returncode:
                return compiled.stderr.strip().splitlines()[-1]
            if not self.runs:
                return ""
            linked = self.link(target, target.with_suffix(".o"))
            if linked.returncode:
                return linked.stderr.strip().splitlines()[-1]
            done = subprocess.run([*self.runner, str(target)], check=False, capture_output=True)
            return "" if done.returncode == 0 else "what it makes does not run here"


_QEMU = ("qemu-ppc",)
_STATIC = ("powerpc-linux-gnu-gcc", "-static")
_RUNNING = (
    Target("gcc", "c99", ("-O0", *SANITIZERS, *CALLS)),
    Target("gcc", "c11", ("-Os",)),
    Target("clang", "c99", ("-O1",)),
    Target("clang", "c11", ("-O0", *SANITIZERS)),
    Target("gcc", "c99", ("-O0",), I386, ("-m32",)),
    Target("gcc", "c11", ("-O0", *UNDEFINED), I386, ("-m32",)),
    Target("clang", "c99", ("-O0", *SANITIZERS), I386, ("-m32",)),
    Target("clang", "c11", ("-O0",), I386, ("-m32",)),
    Target("powerpc-linux-gnu-gcc", "c99", ("-O0",), POWERPC, runner=_QEMU, linker=_STATIC),
    Target("powerpc-linux-gnu-gcc", "c11", ("-O0", *TRAPS), POWERPC, runner=_QEMU, linker=_STATIC),
    Target(
        "clang",
        "c11",
        ("-O0",),
        POWERPC,
        runner=_QEMU,
        machine=("--target=powerpc-linux-gnu",),
        linker=_STATIC,
    ),
)
# The processor of a small node, of which there is nothing here to run: warnings, and what the code calls.
CORTEX = Target(
    "arm-none-eabi-gcc", "c99", ("-Os",), machine=("-mcpu=cortex-m0plus", "-mthumb", "-ffreestanding"),
    abi=Abi("32 bits, aligned to 64"), runs=False,
)  # fmt: skip
TARGETS = (*_RUNNING, CORTEX)
