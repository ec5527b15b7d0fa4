"""The loops compiled by numba, once for a machine: code that is kept is run without it.

What is compiled are the functions of ``words``, ``memory``, ``held``, ``kernel`` and ``walk`` as they stand there, and
what these take from elsewhere, over addresses; one of them, which loads a word, is one instruction then. Places are not
checked: tests run the same functions over lists, where they are.
"""

import ctypes
import json
import sys
from array import array
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from importlib.util import find_spec
from inspect import getsource, signature
from types import FunctionType
from typing import Any

from lowpanbudget.capture import sequences
from lowpanbudget.capture.columns import held, kernel, memory, places, walk, words
from lowpanbudget.capture.columns.loops import Loops
from lowpanbudget.capture.files.code_cache import keep_code, kept_code
from lowpanbudget.capture.follow import repeats

_LOOPS = {"count": kernel, "walk_pcap": walk, "walk_pcapng": walk, "digest": words}


def is_there() -> bool:
    """Return whether the loops can be compiled, and run over memory as it lies there."""
    return sys.byteorder == "little" and find_spec("numba") is not None


def compiled() -> Loops:
    """Return the loops compiled."""
    name = _name()
    code = kept_code(name)
    if code is None:
        code = _compiled_code()
        keep_code(name, code)
    functions = _functions(code)
    return Loops(
        **{loop: _callable(getattr(module, loop), functions[loop]) for loop, module in _LOOPS.items()},
        numbers=lambda many, value: array("q", [value]) * many,
        octets=bytearray,
        of_numbers=lambda given: array("q", given),
        of_octets=bytes,
    )  # fmt: skip


def _name() -> str:
    """Return what code depends on: the loops' source, what compiles it, and the machine that it is compiled for."""
    from hashlib import sha256

    from llvmlite import binding

    try:
        compiler = version("numba")
    except PackageNotFoundError:
        compiler = ""
    parts = [
        compiler,
        sys.version,
        binding.get_host_cpu_name(),
        binding.get_host_cpu_features().flatten(),
    ]
    parts += [
        getsource(module)
        for module in (
            words,
            memory,
            held,
            kernel,
            walk,
            places,
            repeats,
            sequences,
            sys.modules[__name__],
        )
    ]
    return sha256("\0".join(parts).encode()).hexdigest()[:32]


# --- once for a machine ---------------------------------------------------------------------------


def _compiled_code() -> bytes:
    """Return the loops as object files, one after the other behind a line that tells names and lengths."""
    import numba

    index, codes, names = {}, b"", _jitted()
    for loop, module in _LOOPS.items():
        types: Any = numba.types
        kinds = {
            int: types.int64,
            words.Octets: types.CPointer(types.uint8),
            words.Numbers: types.CPointer(types.int64),
        }
        given = [
            kinds[one.annotation] for one in signature(getattr(module, loop)).parameters.values()
        ]
        made: Any = numba.cfunc(types.int64(*given))(names[loop].py_func)
        code = made._library._get_compiled_object()  # noqa: SLF001
        index[loop] = made._wrapper_name.removeprefix("cfunc."), len(code)  # noqa: SLF001
        codes += code
    return json.dumps(index).encode() + b"\n" + codes


def _jitted() -> dict[str, Any]:
    """Return all functions that are to be compiled, each of which finds the others so."""
    import numba

    names: dict[str, Any] = {}
    for module in (words, memory, held, kernel, walk):
        names |= vars(module)
    for name, function in list(names.items()):
        if isinstance(function, FunctionType):
            names[name] = numba.njit(
                FunctionType(function.__code__, names, name), error_model="numpy"
            )
    names["word"] = _load()
    return names


def _load() -> Any:
    """Return ``words.word`` as one load of four octets."""
    import numba
    from llvmlite import ir
    from numba.extending import intrinsic

    def word(_typing: Any, octets: Any, _at: Any) -> Any:
        def load(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            place = builder.gep(arguments[0], [arguments[1]])
            value = builder.load(builder.bitcast(place, ir.IntType(32).as_pointer()))
            value.align = 1
            return builder.zext(value, ir.IntType(64))

        return numba.types.int64(octets, numba.types.int64), load

    return intrinsic(word)


# --- each time ------------------------------------------------------------------------------------

_engines: list[Any] = []  # the code lives as long as they do


def _functions(code: bytes) -> dict[str, int]:
    """Return the addresses of the loops in code that is kept."""
    from llvmlite import binding

    line, _, code = code.partition(b"\n")
    index = json.loads(line)
    binding.initialize_native_target()
    binding.initialize_native_asmprinter()
    target = binding.Target.from_default_triple().create_target_machine()
    engine = binding.create_mcjit_compiler(binding.parse_assembly(""), target)
    _engines.append(engine)
    at = 0
    for _, length in index.values():
        engine.add_object_file(binding.ObjectFileRef.from_data(code[at : at + length]))
        at += length
    _resolve(binding)
    engine.finalize_object()
    return {loop: engine.get_function_address(name) for loop, (name, _) in index.items()}


def _resolve(binding: Any) -> None:
    """Give an address to what the code around the loops would call to raise an error: they raise none."""
    stub = ctypes.cast(ctypes.pythonapi.Py_FatalError, ctypes.c_void_p).value
    for name in (
        "NRT_Free", "NRT_incref", "NRT_decref", "NRT_MemInfo_call_dtor", "numba_do_raise", "numba_gil_ensure",
        "numba_gil_release", "numba_runtime_build_excinfo_struct", "numba_unpickle",
    ):  # fmt: skip
        if not binding.address_of_symbol(name):
            binding.add_symbol(name, stub)


def _callable(loop: Callable[..., int], address: int) -> Callable[..., int]:
    """Return a loop as a function over arrays. By numba's convention a result goes to an address before all others."""
    kinds = [one.annotation is int for one in signature(loop).parameters.values()]
    types = [ctypes.c_longlong if single else ctypes.c_void_p for single in kinds]
    function = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p, *types)(address)
    result, error = ctypes.c_longlong(), ctypes.c_void_p()
    places = ctypes.byref(result), ctypes.byref(error)

    def call(*arguments: Any) -> int:
        given = [
            one if single else _address(one) for one, single in zip(arguments, kinds, strict=True)
        ]
        if function(*places, *given):
            raise RuntimeError("a loop failed")
        return result.value

    return call


def _address(values: Any) -> Any:
    if isinstance(values, array):
        return values.buffer_info()[0]
    if isinstance(values, bytearray):
        return ctypes.addressof(ctypes.c_char.from_buffer(values)) if values else None
    return ctypes.cast(ctypes.c_char_p(values), ctypes.c_void_p)
