"""Loops half compiled: LLVM's intermediate representation (IR), which any 64-bit processor's machine code is made from.

Finding out the types in a loop takes numba ten times as long as LLVM takes for the rest. So the package holds what
numba found, in `ir/`: one text for each loop and the kinds of arguments that stand at its `@kernel`, named by a digest
of both. `python -m tests.reference` writes them; a loop whose text has changed since is compiled by numba.
"""

from __future__ import annotations

import hashlib
import re
import struct
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

IR_FOLDER = "ir"
COUNTS = "; gives back a whole number\n"
"""First line of loops that do."""
_OF_THIS_COMPUTER = re.compile(r"; ModuleID|source_filename|target |@_ZN08NumbaEnv")
_NEW_WORDS = re.compile(r" captures\(none\)| nocreateundeforpoison")
"""Remarks that the oldest llvmlite allowed does not know, and no loop needs."""
GENERATOR_SETTINGS = {"NUMBA_OPT": "0", "NUMBA_CPU_NAME": "generic", "NUMBA_CPU_FEATURES": ""}
"""The environment in which numba makes it, before it is imported."""
_OPTIMISED = 3
"""With loops, and sums side by side, vectorised for the processor at hand, and nothing that would change a result."""
_SMALLER = 1
"""What is kept has been simplified, but made for no processor."""


def ir_name(loop: Callable[..., Any], kinds: tuple[str, ...], source: str) -> str:
    """The file name of a loop's IR: it changes with the text of the loop's file and the kinds of its arguments."""
    shaped_by = "\n".join((source, loop.__name__, *kinds))
    return f"{loop.__name__}-{hashlib.sha256(shaped_by.encode()).hexdigest()[:16]}.ll"


def symbol_of(name: str) -> str:
    """The function in IR of this file name: no library has one that is called so."""
    return "layerpipe_" + name.removesuffix(".ll").replace("-", "_")


def read_ir(name: str) -> str | None:
    """IR that comes with the package; None if there is none of this name, or the processor is of another family."""
    if struct.calcsize("P") != 8 or sys.byteorder != "little":
        return None
    file = Path(__file__).parent / IR_FOLDER / name
    return file.read_text("utf-8") if file.is_file() else None


def object_of_ir(text: str, llvm: Any, target: Any) -> bytes:
    """Machine code for a target from IR.

    Raises
    ------
    RuntimeError
        If LLVM does not understand the text.
    """
    module = llvm.parse_assembly(text)
    module.triple, module.data_layout = target.triple, str(target.target_data)
    _run_passes(module, llvm, target, _OPTIMISED)
    code: bytes = target.emit_object(module)
    return code


def portable_ir(text: str, symbol: str, new_symbol: str, llvm: Any) -> str:
    """IR without what belongs to the computer it was made on, and with another symbol.

    Parameters
    ----------
    text : str
        As numba makes it with `GENERATOR_SETTINGS`.
    symbol, new_symbol : str
        The function in it, and what it is called from now on.
    llvm
        llvmlite's binding.
    """
    module = llvm.parse_assembly(text)
    target = llvm.Target.from_triple(module.triple).create_target_machine(cpu="generic", opt=_SMALLER)
    _run_passes(module, llvm, target, _SMALLER)
    lines = str(module).replace(symbol, new_symbol).split("\n")
    kept = [_NEW_WORDS.sub("", line) for line in lines if not _OF_THIS_COMPUTER.match(line)]
    return "\n".join(kept).strip() + "\n"


def _run_passes(module: Any, llvm: Any, target: Any, level: int) -> None:
    """Optimise a module."""
    options = llvm.create_pipeline_tuning_options(level)
    options.loop_vectorization = level == _OPTIMISED
    options.slp_vectorization = level == _OPTIMISED
    options.loop_unrolling = level == _OPTIMISED
    passes = llvm.create_pass_builder(target, options)
    passes.getModulePassManager().run(module, passes)
