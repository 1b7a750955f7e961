"""Numba's decorators, keyed so that machine code kept on disk is never older than anything it was made from.

Numba keeps compiled code beside the module and goes by the contents of that one file. What a function calls from
other modules, and the constants it names there, stand in the code as they were when it was compiled: after an edit or
an upgrade of the other module only, old code would go on being used without a word, and times would be wrong. So a
function carries a digest of its own code, of how it is compiled and of all that it names, the functions it calls with
their own digests, in its qualified name. Numba names its files after that.
"""

from __future__ import annotations

import enum
import hashlib
from collections.abc import Callable, Iterator, Mapping, Set
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from types import CodeType, FunctionType, ModuleType
from typing import Any, TypeVar

import numba
import numpy as np
from numba.core.registry import cpu_target
from numpy.typing import ArrayLike, NDArray

Function = TypeVar("Function", bound=Callable[..., Any])


@contextmanager
def threads(workers: int) -> Iterator[ThreadPoolExecutor]:
    """Give threads for compiled code. Where the work is broken off, nobody waits for what they have begun."""
    pool = ThreadPoolExecutor(max_workers=workers)
    try:
        yield pool
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        raise
    pool.shutdown()


def njit(**options: Any) -> Callable[[Function], Function]:
    """Compile a function without the interpreter and its lock, and keep the machine code on disk.

    What the function names from modules has to be defined above it: numba takes it as it is at the first call, the
    digest as it is now; what names something whose contents can't be told is a TypeError. Of the options, which are
    those of `numba.njit`, a private one (with a leading underscore) is left out where the installed numba doesn't know
    it: those may make code faster, never other.

    Examples
    --------
    >>> @njit(error_model="numpy")
    ... def drive_s(length_m: float, speed_m_s: float) -> float:
    ...     return length_m / speed_m_s
    >>> drive_s(500.0, 10.0)
    50.0
    """
    taken = {name: value for name, value in options.items() if not name.startswith("_") or _is_option(name)}
    return lambda function: _kept(numba.njit, function, {"nogil": True, **taken})


def vectorize(function: Callable[..., Any]) -> Callable[..., NDArray[np.float64]]:
    """Make a numpy ufunc of a function of numbers, compiled, and keep the machine code on disk; errors as of `njit`.

    Examples
    --------
    >>> def _km_h(speed_m_s: float) -> float:
    ...     return 3.6 * speed_m_s
    >>> vectorize(_km_h)(np.array([5.0, 10.0]))
    array([18., 36.])
    """
    made: Callable[..., NDArray[np.float64]] = _kept(numba.vectorize, function, {})
    return made


def floats(values: ArrayLike) -> NDArray[np.float64]:
    """Give numbers as what such a ufunc takes, so that no other kind of number is compiled as well."""
    return np.asarray(values, dtype=np.float64)


def digest(function: Any, options: Mapping[str, Any]) -> str:
    """All that the machine code of a function is made from, in 16 hexadecimal digits: the same in every process.

    The function is not compiled yet; the options say how it is going to be.

    Examples
    --------
    >>> def _twice(x: float) -> float:
    ...     return 2.0 * x
    >>> digest(_twice, {}) == digest(_twice, {"fastmath": True})
    False
    """
    names = _names(function.__code__)
    mine = {name: function.__globals__[name] for name in sorted(names & function.__globals__.keys())}
    mine.pop(function.__name__, None)  # a function that calls itself is told by its code
    cells = [cell.cell_contents for cell in function.__closure__ or ()]
    parts = [function.__code__, function.__defaults__, function.__kwdefaults__, cells, dict(options)]
    try:
        told = [_told(part, names) for part in parts]
        told += [f"{name}={_told(value, names)}" for name, value in mine.items()]
    except TypeError as error:
        raise TypeError(f"{function.__module__}.{function.__qualname__} can't be compiled: {error}") from error
    return hashlib.sha256("\n".join(told).encode()).hexdigest()[:16]


def _kept(decorator: Any, function: Any, options: dict[str, Any]) -> Any:
    key = digest(function, options)
    # A twin, since one function may be compiled in several ways and be used as it is besides.
    twin: Any = FunctionType(
        function.__code__, function.__globals__, function.__name__, function.__defaults__, function.__closure__
    )
    twin.__kwdefaults__, twin.__annotations__ = function.__kwdefaults__, function.__annotations__
    twin.__module__, twin.__doc__ = function.__module__, function.__doc__
    twin.__qualname__ = f"{function.__qualname__}_{key}"
    try:
        made = decorator(cache=True, **options)(twin)
    except RuntimeError:  # no folder to keep machine code in: it is made anew in every process
        made = decorator(**options)(twin)
    made.__qualname__ = function.__qualname__
    made.made_from = key
    return made


def _is_option(name: str) -> bool:
    return hasattr(cpu_target.options, name)


def _names(code: CodeType) -> set[str]:
    """Every name that code looks up, in nested functions too: globals, and attributes with them."""
    return set(code.co_names).union(*(_names(const) for const in code.co_consts if isinstance(const, CodeType)))


def _told(value: Any, names: Set[str]) -> str:
    """What numba freezes of a value, as text that is the same in every process; of modules, what is named."""
    kind = type(value).__qualname__
    if hasattr(value, "made_from"):
        return f"compiled {value.__qualname__} {value.made_from}"
    if isinstance(value, enum.Enum):
        return f"{kind}.{value.name}={_told(value.value, names)}"
    if value is None or isinstance(value, bool | int | float | complex | str | bytes) or value is Ellipsis:
        return f"{kind} {value!r}"
    if isinstance(value, np.ndarray | np.generic):
        layout = f"{value.dtype!r} {value.shape} {value.strides}"
        return f"{kind} {layout} {hashlib.sha256(value.tobytes()).hexdigest()}"
    if isinstance(value, np.dtype | numba.types.Type):
        return repr(value)
    if isinstance(value, tuple | list):
        return f"{kind} {getattr(value, '_fields', '')} {[_told(one, names) for one in value]}"
    if isinstance(value, set | frozenset):
        return f"{kind} {sorted(_told(one, names) for one in value)}"
    if isinstance(value, dict):
        return f"{kind} {sorted((_told(key, names), _told(one, names)) for key, one in value.items())}"
    if isinstance(value, CodeType):
        arguments = (value.co_argcount, value.co_posonlyargcount, value.co_kwonlyargcount, value.co_flags)
        named = (value.co_names, value.co_varnames, value.co_freevars, value.co_cellvars)
        return f"code {value.co_code.hex()} {arguments} {named} {_told(value.co_consts, names)}"
    if isinstance(value, ModuleType):
        seen = {name: vars(value)[name] for name in sorted(names & vars(value).keys())}
        return f"module {value.__name__} {[f'{name}={_told(one, names - {name})}' for name, one in seen.items()]}"
    if isinstance(value, enum.EnumMeta):
        return f"enum {value.__qualname__} {_told(dict(value.__members__), names)}"
    if type(value).__module__.startswith("numba."):
        raise TypeError(f"{value!r} is of numba; compile it with leaveby.compiling, which knows what it is made from")
    if callable(value) and hasattr(value, "__name__"):
        return f"{kind} {getattr(value, '__module__', '')}.{value.__name__} {getattr(value, '_fields', '')}"
    raise TypeError(f"can't tell what of this {kind} goes into machine code: {value!r}; name its numbers instead")
