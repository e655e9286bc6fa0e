"""What numba finds out about a loop: the types in it, as LLVM's representation; and how it hands over arguments."""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from typing import Any

import numpy as np

STRIDED = "A"
"""As numba calls the layout of arrays that are not in one piece."""


def words_of(kinds: tuple[str, ...]) -> list[Any]:
    """The types of a compiled function's arguments after the two for its result."""
    numbers = {"f8": ctypes.c_double, "u8": ctypes.c_uint64, "i8": ctypes.c_int64}
    words: list[Any] = []
    for kind in kinds:
        words += [numbers[kind]] if kind in numbers else [ctypes.c_int64] * (5 + 2 * kind.count("[]"))
    return words


def infer(loop: Callable[..., Any], kinds: tuple[str, ...], llvm: Any) -> tuple[str, str, bool]:
    """A loop as numba understands it: LLVM's representation, the function in it, whether it gives back a number.

    Parameters
    ----------
    loop : function
        As written.
    kinds : tuple of str
        Of its arguments.
    llvm
        llvmlite's binding.

    Raises
    ------
    RuntimeError
        If numba refuses the loop, or its code calls a library or takes its arguments in another way than is known here.
    """
    import numba

    njit: Any = numba.njit
    types = tuple(_numba_type(kind) for kind in kinds)
    # Division as numpy has it: nothing allocates, nothing raises.
    found = njit(loop, nogil=True, no_cpython_wrapper=True, no_cfunc_wrapper=True, _nrt=False, error_model="numpy")
    try:
        found.compile(types)
    except numba.core.errors.NumbaError as refusal:
        raise RuntimeError(f"{loop.__name__}: {refusal}") from refusal
    made = found.overloads[types]
    text: str = found.inspect_llvm(types)
    module = llvm.parse_assembly(text)
    foreign = [one.name for one in module.functions if one.is_declaration and not one.name.startswith("llvm.")]
    if foreign:
        raise RuntimeError(f"{loop.__name__} may call nothing, found {foreign}")
    symbol: str = made.fndesc.llvm_func_name
    takes = [str(argument.type) == "double" for argument in module.get_function(symbol).arguments]
    if takes != [False, False, *(word is ctypes.c_double for word in words_of(kinds))]:
        raise RuntimeError(f"this version of numba hands arguments to {loop.__name__} in another way")
    return text, symbol, bool(made.signature.return_type != numba.types.none)


def _numba_type(kind: str) -> Any:
    """numba's name for a kind of argument."""
    import numba

    types: Any = numba.types
    layout = STRIDED if kind.startswith(STRIDED) else "C"
    item, *dimensions = kind.removeprefix(STRIDED).split("[")
    scalar = numba.from_dtype(np.dtype(item))
    return types.Array(scalar, len(dimensions), layout) if dimensions else scalar
