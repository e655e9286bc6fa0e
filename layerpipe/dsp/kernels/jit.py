"""Loops of plain arithmetic as machine code: compiled once per installation by numba, loaded later without it.

Importing numba takes as long as some commands. So the object code it makes is kept in the cache folder, under a digest
of the loops' text, the types they are called with, the compiler and the processor; and llvmlite, the small part of
numba that holds the compiler's back end, loads it in a few thousandths of a second. What is kept is checked against a
digest of its own.

A loop takes arrays and numbers, writes results into arrays it is handed, allocates nothing and raises
nothing. `fastmath` stays off, so that the loop as written gives the same numbers, bit for bit. The GIL is released:
takes run side by side in threads. A compiled function is called by numba's own convention for arrays: owner, parent,
items, bytes of an item, address, then shape and strides.
"""

from __future__ import annotations

import contextlib
import ctypes
import functools
import hashlib
import inspect
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Generic, NamedTuple, ParamSpec, TypeVar

import numpy as np
import numpy.typing as npt

P = ParamSpec("P")
R = TypeVar("R")

_one_at_a_time = threading.RLock()
_FINE = (0, -2)
_DIGEST_BYTES = 32
_STRIDED = " strided"


class _Code(NamedTuple):
    """Machine code of a loop for some types: the symbol to call, whether it gives back a whole number, the object."""

    symbol: str
    counts: bool
    object: bytes


class Kernel(Generic[P, R]):
    """A loop that runs as machine code; `.plain` is the loop as written."""

    def __init__(self, loop: Callable[P, R]) -> None:
        self.plain = loop
        self._entries: dict[tuple[Any, ...], tuple[Any, bool]] = {}
        functools.update_wrapper(self, loop)

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R:
        """Run the compiled loop, loading or compiling it first if need be."""
        assert not kwargs, "kernels take their arguments by place"
        kinds: list[Any] = []
        words: list[int | float] = []
        for arg in args:
            if isinstance(arg, np.ndarray):
                contiguous = arg.flags.c_contiguous
                kinds += (arg.dtype, arg.ndim, contiguous)
                words += (0, 0, arg.size, arg.itemsize, _address(arg, contiguous), *arg.shape, *arg.strides)
            else:
                kinds.append(type(arg))
                words.append(arg)  # type: ignore[arg-type]
        key = tuple(kinds)
        entry = self._entries.get(key)
        if entry is None:
            with _one_at_a_time:
                entry = self._entries.get(key) or _load(self.plain, tuple(_kind_of(arg) for arg in args))
                self._entries[key] = entry
        function, counts = entry
        result, raised = ctypes.c_int64(), ctypes.c_void_p()
        status = function(ctypes.byref(result), ctypes.byref(raised), *words)
        assert status in _FINE, f"{self.plain.__name__} ended with {status}"
        return result.value if counts else None  # type: ignore[return-value]


def kernel(loop: Callable[P, R]) -> Kernel[P, R]:
    """Mark a loop for compilation on first use."""
    return Kernel(loop)


def _address(array: npt.NDArray[Any], contiguous: bool) -> int:
    """Where an array's first item lies; the short way is open to what can be written and is in one piece."""
    if contiguous and array.size and array.flags.writeable:
        return ctypes.addressof(ctypes.c_char.from_buffer(array))  # type: ignore[arg-type]
    address: int = array.__array_interface__["data"][0]
    return address


def _kind_of(arg: Any) -> str:
    """The kind of an argument: an array's type and dimensions, or a number's."""
    if isinstance(arg, np.ndarray):
        return f"{arg.dtype.str[1:]}{'[]' * arg.ndim}{'' if arg.flags.c_contiguous else _STRIDED}"
    return "u8" if isinstance(arg, np.uint64) else "f8" if isinstance(arg, float) else "i8"


def _load(loop: Callable[..., Any], kinds: tuple[str, ...]) -> tuple[Any, bool]:
    """The compiled loop for arguments of these kinds, from the cache folder or made now."""
    kept = _kept_at(loop, kinds)
    code = _read(kept)
    if code is None:
        code = _compile(loop, kinds)
        _keep(kept, code)
    engine = _back_end().engine
    engine.add_object_file(_back_end().llvm.object_file.ObjectFileRef.from_data(code.object))
    engine.finalize_object()
    numbers = {"f8": ctypes.c_double, "u8": ctypes.c_uint64, "i8": ctypes.c_int64}
    words: list[Any] = []
    for kind in kinds:
        words += [numbers[kind]] if kind in numbers else [ctypes.c_int64] * (5 + 2 * kind.count("[]"))
    kind_of_function = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_void_p, ctypes.c_void_p, *words)
    return kind_of_function(engine.get_function_address(code.symbol)), code.counts


class _BackEnd(NamedTuple):
    """llvmlite, an engine that holds loaded code, and what the code is made for."""

    llvm: Any
    target: Any
    engine: Any
    name: str


@functools.cache
def _back_end() -> _BackEnd:
    """Start llvmlite for this processor."""
    import llvmlite
    import llvmlite.binding as llvm

    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    processor, features = llvm.get_host_cpu_name(), llvm.get_host_cpu_features().flatten()
    target = llvm.Target.from_triple(llvm.get_process_triple()).create_target_machine(
        cpu=processor, features=features, opt=3, reloc="default", codemodel="jitdefault", jit=True)
    engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), target)
    return _BackEnd(llvm, target, engine, f"{llvmlite.__version__} {processor} {features}")


def _kept_at(loop: Callable[..., Any], kinds: tuple[str, ...]) -> Path:
    """Where the loop's code is kept."""
    from layerpipe import __version__
    from layerpipe.core.files.cache_dir import cache_folder

    known = "\n".join((_source_of(loop.__module__), loop.__name__, *kinds, _back_end().name))
    digest = hashlib.sha256(known.encode()).hexdigest()
    return cache_folder() / f"compiled-{__version__}" / f"{loop.__name__}-{digest[:24]}.code"


@functools.cache
def _source_of(module: str) -> str:
    """The text of a module of loops; a loop uses nothing that stands elsewhere."""
    import sys

    return Path(str(inspect.getsourcefile(sys.modules[module]))).read_text("utf-8")


def _read(path: Path) -> _Code | None:
    """Code that is kept, whole; None if it is not."""
    try:
        kept = path.read_bytes()
    except OSError:
        return None
    digest, body = kept[:_DIGEST_BYTES], kept[_DIGEST_BYTES:]
    if hashlib.sha256(body).digest() != digest:
        return None
    symbol, counts, code = body.split(b"\n", 2)
    return _Code(symbol.decode(), counts == b"counts", code)


def _keep(path: Path, code: _Code) -> None:
    """Keep code, whole or not at all; without a place for it, it is made anew next time."""
    body = b"\n".join((code.symbol.encode(), b"counts" if code.counts else b"", code.object))
    partial = path.with_name(f"{path.name}.{os.getpid()}.partial")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        partial.write_bytes(hashlib.sha256(body).digest() + body)
        partial.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            partial.unlink()


def _compile(loop: Callable[..., Any], kinds: tuple[str, ...]) -> _Code:
    """Compile a loop by numba to an object that needs nothing of numba."""
    import numba

    njit: Any = numba.njit
    types = tuple(_numba_type(kind) for kind in kinds)
    # Without a run time of numba's and with division as numpy has it: nothing allocates, nothing raises.
    found = njit(loop, nogil=True, no_cpython_wrapper=True, no_cfunc_wrapper=True, _nrt=False,
                 error_model="numpy")
    found.compile(types)
    made = found.overloads[types]
    llvm, target = _back_end().llvm, _back_end().target
    module = llvm.parse_assembly(found.inspect_llvm(types))
    foreign = [one.name for one in module.functions if one.is_declaration and not one.name.startswith("llvm.")]
    assert not foreign, f"{loop.__name__} may call nothing, found {foreign}"
    return _Code(made.fndesc.llvm_func_name, made.signature.return_type != numba.types.none,
                 target.emit_object(module))


def _numba_type(kind: str) -> Any:
    """numba's name for a kind of argument."""
    import numba

    types: Any = numba.types
    layout = "A" if kind.endswith(_STRIDED) else "C"
    item, *dimensions = kind.removesuffix(_STRIDED).split("[")
    scalar = numba.from_dtype(np.dtype(item))
    return types.Array(scalar, len(dimensions), layout) if dimensions else scalar
