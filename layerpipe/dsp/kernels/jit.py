"""Loops of plain arithmetic as machine code: made once per installation, loaded later in a few milliseconds.

The object code is kept (`code_files`) under a digest of the loops' text, the types they are called with, the compiler
and the processor. It is made by llvmlite, the small part of numba that holds the compiler's back end, from what the
package brings along (`portable_code`); for other types, or a loop that has changed, numba compiles the loop, whose
import alone takes as long as some commands. Where code can neither be loaded nor made, the loops run as written, with
the same results and hundreds of times slower; a warning says so once.

A loop takes arrays and numbers, writes results into arrays it is given, allocates nothing and raises nothing.
`fastmath` stays off, so that machine code and the loop as written give the same numbers, bit for bit. The GIL is
released: takes run side by side in threads. A compiled function is called by numba's own convention for arrays (owner,
parent, items, bytes per item, address, then shape and strides), which numba does not promise to keep: the versions
tried are in pyproject.toml, and `inference` compares the types of every compiled function's arguments with it.
"""

from __future__ import annotations

import ctypes
import functools
import hashlib
import inspect
import logging
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Generic, NamedTuple, ParamSpec, TypeVar

import numpy as np
import numpy.typing as npt

from layerpipe.core.process import has_room_for_code, has_room_for_compiler, is_short_of_memory, notify
from layerpipe.dsp.kernels.code_files import keep_code, read_code
from layerpipe.dsp.kernels.inference import STRIDED, infer, words_of
from layerpipe.dsp.kernels.portable_code import COUNTS, ir_name, object_of_ir, portable_ir, read_ir, symbol_of

P = ParamSpec("P")
R = TypeVar("R")

_one_at_a_time = threading.RLock()
_RETURNED, _RETURNED_NONE = 0, -2
"""What a compiled function answers when it ended well."""
_FAILURES = (ImportError, OSError, RuntimeError, AttributeError, TypeError, ValueError, KeyError)
"""How a compiler fails that is missing, damaged, of another processor or of an untried version."""


class _Code(NamedTuple):
    """Machine code of a loop for some types: the symbol to call, whether it gives back a whole number, the object."""

    symbol: str
    counts: bool
    object: bytes


class _Entry(NamedTuple):
    """A loaded function, None to run the loop as written, and whether it gives back a whole number."""

    function: Any
    counts: bool = False


class Kernel(Generic[P, R]):
    """A loop that runs as machine code where that can be made; `.plain` is the loop as written.

    `.kinds` are those of its arguments for which the package brings portable code along.
    """

    def __init__(self, loop: Callable[P, R], kinds: tuple[tuple[str, ...], ...]) -> None:
        self.plain, self.kinds = loop, kinds
        self._entries: dict[tuple[Any, ...], _Entry] = {}
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
                entry = self._entries.get(key) or _entry(self.plain, tuple(_kind_of(arg) for arg in args))
                self._entries[key] = entry
        if entry.function is None:
            # Integers are meant to overflow here and there, as they do in machine code.
            with np.errstate(all="ignore"):
                return self.plain(*args, **kwargs)
        result, raised = ctypes.c_int64(), ctypes.c_void_p()
        status = entry.function(ctypes.byref(result), ctypes.byref(raised), *words)
        assert status in (_RETURNED, _RETURNED_NONE), f"{self.plain.__name__} ended with {status}"
        return result.value if entry.counts else None  # type: ignore[return-value]


def kernel(*kinds: str) -> Callable[[Callable[P, R]], Kernel[P, R]]:
    """Mark a loop for compilation on first use; `kinds` are the arguments it is called with, as `_kind_of` names them.

    One text for each combination: types of arrays with "[]" for each dimension, "A" before arrays that are not in one
    piece.
    """
    return lambda loop: Kernel(loop, tuple(tuple(text.split()) for text in kinds))


def _address(array: npt.NDArray[Any], contiguous: bool) -> int:
    """Where an array's first item lies; the short way is open to what can be written and is in one piece."""
    if contiguous and array.size and array.flags.writeable:
        return ctypes.addressof(ctypes.c_char.from_buffer(array))  # type: ignore[arg-type]
    address: int = array.__array_interface__["data"][0]
    return address


def _kind_of(arg: Any) -> str:
    """The kind of an argument: an array's type and dimensions, or a number's."""
    if isinstance(arg, np.ndarray):
        return f"{'' if arg.flags.c_contiguous else STRIDED}{arg.dtype.str[1:]}{'[]' * arg.ndim}"
    return "u8" if isinstance(arg, np.uint64) else "f8" if isinstance(arg, float) else "i8"


def _entry(loop: Callable[..., Any], kinds: tuple[str, ...]) -> _Entry:
    """The loop for arguments of these kinds: as machine code if possible, as written otherwise."""
    try:
        return _load(loop, kinds)
    except _FAILURES as refusal:
        if is_short_of_memory(refusal) or not has_room_for_compiler():
            raise MemoryError from refusal
        _warn_once(f"{type(refusal).__name__}: {refusal}".splitlines()[0])
        return _Entry(None)


@functools.cache
def _warn_once(reason: str) -> None:
    """Say that loops run as written; once for each reason."""
    logging.getLogger("layerpipe").warning(
        "machine code cannot be made or loaded (%s); processing is the same but hundreds of times slower. "
        "Installing layerpipe again with its dependencies usually helps", reason)


def _load(loop: Callable[..., Any], kinds: tuple[str, ...]) -> _Entry:
    """The compiled loop for arguments of these kinds, kept by an earlier run or compiled now."""
    name = _name_of(loop, kinds)
    code = _kept(name)
    if code is None:
        _say_once_that_it_compiles()
        code = _finish(loop, kinds) or _compile(loop, kinds)
        _keep(name, code)
    engine = _back_end().engine
    if not has_room_for_code():
        raise MemoryError
    engine.add_object_file(_back_end().llvm.object_file.ObjectFileRef.from_data(code.object))
    engine.finalize_object()
    address = engine.get_function_address(code.symbol)
    if not address:
        raise RuntimeError(f"the machine code of {loop.__name__} could not be linked")
    kind_of_function = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_void_p, ctypes.c_void_p, *words_of(kinds))
    return _Entry(kind_of_function(address), code.counts)


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


def _name_of(loop: Callable[..., Any], kinds: tuple[str, ...]) -> str:
    """The file name of the loop's code: it changes with everything that shapes the code."""
    from layerpipe import __version__

    shaped_by = "\n".join((__version__, _source_of(loop.__module__), _source_of(object_of_ir.__module__), loop.__name__,
                           *kinds, _back_end().name))
    return f"{loop.__name__}-{hashlib.sha256(shaped_by.encode()).hexdigest()[:24]}.code"


@functools.cache
def _source_of(module: str) -> str:
    """The text of a module of loops; a loop uses nothing that stands elsewhere."""
    import sys

    return Path(str(inspect.getsourcefile(sys.modules[module]))).read_text("utf-8")


def _kept(name: str) -> _Code | None:
    """Code kept by an earlier run of this installation."""
    body = read_code(name)
    if body is None:
        return None
    symbol, counts, code = body.split(b"\n", 2)
    return _Code(symbol.decode(), counts == b"counts", code)


def _keep(name: str, code: _Code) -> None:
    """Keep code for later runs."""
    keep_code(name, b"\n".join((code.symbol.encode(), b"counts" if code.counts else b"", code.object)))


def _finish(loop: Callable[..., Any], kinds: tuple[str, ...]) -> _Code | None:
    """Machine code from the portable code that comes with the package; None if there is none that llvmlite knows."""
    name = portable_name(loop, kinds)
    text = read_ir(name)
    try:
        made = None if text is None else object_of_ir(text, _back_end().llvm, _back_end().target)
    except RuntimeError:
        return None
    return None if text is None or made is None else _Code(symbol_of(name), text.startswith(COUNTS), made)


def portable_name(loop: Callable[..., Any], kinds: tuple[str, ...]) -> str:
    """The file name of a loop's portable code."""
    return ir_name(loop, kinds, _source_of(loop.__module__))


def make_portable(loop: Callable[..., Any], kinds: tuple[str, ...]) -> tuple[str, str]:
    """The file name and the text of a loop's portable code, by numba with `GENERATOR_SETTINGS`."""
    name = portable_name(loop, kinds)
    text, symbol, counts = infer(loop, kinds, _back_end().llvm)
    return name, (COUNTS if counts else "") + portable_ir(text, symbol, symbol_of(name), _back_end().llvm)


def _compile(loop: Callable[..., Any], kinds: tuple[str, ...]) -> _Code:
    """Compile a loop by numba to an object that needs nothing of numba."""
    llvm, target = _back_end().llvm, _back_end().target
    text, symbol, counts = infer(loop, kinds, llvm)
    return _Code(symbol, counts, target.emit_object(llvm.parse_assembly(text)))


@functools.cache
def _say_once_that_it_compiles() -> None:
    """The first run of an installation takes some seconds longer; say why."""
    notify("preparing machine code for this computer, once per installation ...")
