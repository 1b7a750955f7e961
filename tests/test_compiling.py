"""Machine code kept on disk is never older than anything it was made from, whichever module was changed."""

from __future__ import annotations

import enum
import inspect
import json
import os
import pickle
import re
import subprocess
import sys
from collections import namedtuple
from copy import deepcopy
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any

import numba
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numba.core.registry import cpu_target

from leaveby import compiling
from leaveby.compiling import digest, njit, vectorize
from leaveby.fire.spread.ellipse import COMPILED

OTHER = """
import numba
import numpy as np
from leaveby.compiling import njit, vectorize

FACTOR = {value}
TABLE = np.array([0.0, {value}])
PAIR = ("a", ({value}, 1))

@numba.njit(cache=True)
def plain_callee(x): return x * {value}

@njit()
def callee(x): return x * {value}

@njit(inline="always")
def inlined(x): return x * {value}
"""

BETWEEN = """
from leaveby.compiling import njit
from inside.other import callee

@njit()
def through(x): return callee(x)
"""

KERNEL = """
import json
import numba
from leaveby.compiling import njit, vectorize
from inside import other
from inside.between import through
from inside.other import FACTOR, PAIR, TABLE, callee, inlined, plain_callee

@numba.njit(cache=True)
def plain(x): return plain_callee(x)

@numba.njit(cache=True)
def plain_constant(x): return x * FACTOR

@njit()
def of_callee(x): return callee(x)

@njit()
def of_callees_callee(x): return through(x)

@njit()
def of_inlined(x): return inlined(x)

@njit()
def of_constant(x): return x * FACTOR

@njit()
def of_table(x): return x * TABLE[1]

@njit()
def of_pair(x): return x * PAIR[1][0]

@njit()
def of_module(x): return x * other.FACTOR

@njit()
def of_modules_function(x): return other.callee(x)

@njit()
def of_itself(x): return callee(x) if x <= 10.0 else of_itself(x - 1.0)

def _each(x): return callee(x)

over = vectorize(_each)

if __name__ == "__main__":
    made = {name: one for name, one in globals().items() if name in ("plain", "plain_constant") or name[:3] == "of_"}
    results = {name: one(10.0) for name, one in made.items()}
    hits = {name: sum(one.stats.cache_hits.values()) for name, one in made.items()}
    print(json.dumps([results | {"over": float(over(10.0))}, hits]))
"""


def run(folder: Path) -> tuple[dict[str, float], dict[str, int]]:
    # No bytecode is written: Python itself would not see a change of the same length within a second.
    command = [sys.executable, "-B", "-m", "inside.kernel"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True)
    results, hits = json.loads(done.stdout)
    return results, hits


def test_a_change_in_another_module_alone_is_seen(tmp_path: Path) -> None:
    # Numba's documentation, "Notes on Caching": cached functions do not see changes of what they use from other files.
    package = tmp_path / "inside"
    package.mkdir()
    for name, text in {"__init__": "", "between": BETWEEN, "kernel": KERNEL}.items():
        (package / f"{name}.py").write_text(text, encoding="utf-8")
    (package / "other.py").write_text(OTHER.format(value=2.0), encoding="utf-8")
    first, _ = run(tmp_path)
    assert set(first.values()) == {20.0}
    again, hits = run(tmp_path)
    assert again == first
    assert set(hits.values()) == {1}, "code is read from disk where nothing changed"
    (package / "other.py").write_text(OTHER.format(value=3.0), encoding="utf-8")
    after, hits = run(tmp_path)
    plain = {name: after.pop(name) for name in ("plain", "plain_constant")}
    assert plain == {"plain": 20.0, "plain_constant": 20.0}, "numba by itself still answers as before the change"
    assert (hits["plain"], hits["of_callee"]) == (1, 0)
    assert set(after.values()) == {30.0}


def function(body: str, **named: Any) -> FunctionType:
    """A function `f` of x that stands in a module with these names."""
    module = ModuleType("some_module")
    vars(module).update(named)
    exec(f"def f(x, y=2):\n    {body}", vars(module))
    made: FunctionType = vars(module)["f"]
    return made


Side, OtherSide = enum.Enum("Side", {"LEFT": 1}), enum.Enum("Side", {"LEFT": 2})


def other_module(**named: Any) -> ModuleType:
    module = ModuleType("other_module")
    vars(module).update(named)
    return module


ONE, TWO = njit()(function("return x")), njit(fastmath=True)(function("return x"))
Here, There = namedtuple("Here", "row col"), namedtuple("Here", "col row")

DIFFERENT = {
    "code": (function("return x + 1"), function("return x - 1")),
    "number in the code": (function("return x + 1"), function("return x + 2")),
    "kind of number": (function("return x + 1"), function("return x + 1.0")),
    "sign of zero": (function("return x * 0.0"), function("return x * -0.0")),
    "nested function": (function("return (lambda: 1)()"), function("return (lambda: 2)()")),
    "constant": (function("return N", N=1), function("return N", N=2)),
    "kind of constant": (function("return N", N=1), function("return N", N=True)),
    "in nested function": (function("return (lambda: N)()", N=1), function("return (lambda: N)()", N=2)),
    "array": (function("return N", N=np.array([1, 2])), function("return N", N=np.array([1, 3]))),
    "order of an array": (
        function("return N", N=np.zeros((2, 2))),
        function("return N", N=np.zeros((2, 2), order="F")),
    ),
    "kind of array": (function("return N", N=np.zeros(2)), function("return N", N=np.zeros(2, np.int64))),
    "shape of an array": (
        function("return N", N=np.broadcast_to(1.0, (2, 3))),
        function("return N", N=np.broadcast_to(1.0, (3, 2))),
    ),
    "attribute": (function("return x.real"), function("return x.imag")),
    "name without a value": (function("return min(x, y)"), function("return max(x, y)")),
    "dtype": (function("return N", N=np.dtype("f4")), function("return N", N=np.dtype("f8"))),
    "fields": (
        function("return N", N=np.dtype([("a", "f4"), ("b", "f4")])),
        function("return N", N=np.dtype([("b", "f4"), ("a", "f4")])),
    ),
    "scalar": (function("return N", N=np.float32(1)), function("return N", N=np.float64(1))),
    "member": (function("return N", N=Side.LEFT), function("return N", N=OtherSide.LEFT)),
    "enum": (function("return N.LEFT", N=Side), function("return N.LEFT", N=OtherSide)),
    "named fields": (function("return N(1, 2).row", N=Here), function("return N(1, 2).row", N=There)),
    "named value": (function("return N.row", N=Here(1, 2)), function("return N.row", N=There(1, 2))),
    "options of a callee": (function("return g(x)", g=ONE), function("return g(x)", g=TWO)),
    "ufunc": (
        function("return g(x)", g=vectorize(function("return x + 1"))),
        function("return g(x)", g=vectorize(function("return x + 2"))),
    ),
    "module's number": (function("return m.N", m=other_module(N=1)), function("return m.N", m=other_module(N=2))),
    "module's f": (function("return m.f(x)", m=other_module(f=ONE)), function("return m.f(x)", m=other_module(f=TWO))),
    "module in a module": (
        function("return a.b.N", a=other_module(b=other_module(N=1))),
        function("return a.b.N", a=other_module(b=other_module(N=2))),
    ),
    "numpy's function": (function("return g(x)", g=np.exp), function("return g(x)", g=np.log)),
    "numba's type": (function("return g(x)", g=numba.int32), function("return g(x)", g=numba.int64)),
    "not there yet": (function("return N"), function("return N", N=2)),
}


@pytest.mark.parametrize("what", DIFFERENT)
def test_digests_differ_with_what_a_function_is_made_from(what: str) -> None:
    one, other = DIFFERENT[what]
    assert digest(one, {}) != digest(other, {})


def test_digests_differ_with_arguments_closures_and_options() -> None:
    one, other = function("return x"), function("return x")
    assert digest(one, {}) == digest(other, {})
    other.__defaults__ = (3,)
    assert digest(one, {}) != digest(other, {})
    other.__defaults__, other.__kwdefaults__ = one.__defaults__, {"z": 1}
    assert digest(one, {}) != digest(other, {})
    assert digest(lambda x, y: (x, y), {}) != digest(lambda x, *y: (x, y), {})
    assert digest(lambda x, y: (x, y), {}) != digest(lambda x, /, y: (x, y), {})

    def held(number: int) -> FunctionType:
        def inner(x: float) -> float:
            return x + number

        assert isinstance(inner, FunctionType)
        return inner

    assert digest(held(1), {}) == digest(held(1), {})
    assert digest(held(1), {}) != digest(held(2), {})
    assert digest(one, {"fastmath": {"contract", "nsz"}}) == digest(one, {"fastmath": {"nsz", "contract"}})
    assert digest(one, {"fastmath": {"contract"}}) != digest(one, {"fastmath": {"nsz"}})


def test_a_function_that_calls_itself_is_told_before_and_after_it_is_made() -> None:
    one = function("return x * f(x - 1) if x > 1 else 1")
    before = digest(one, {})
    one.__globals__["f"] = njit()(one)
    assert digest(one, {}) == before


PLAIN = st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.binary()
PAIRS = st.lists(PLAIN, max_size=3).map(tuple)
VALUES = PLAIN | PAIRS | st.lists(PLAIN | PAIRS, max_size=3).map(tuple)


@given(VALUES, VALUES)
def test_digests_are_the_same_only_where_constants_are(one: Any, other: Any) -> None:
    told, copied, others = (digest(function("return N", N=value), {}) for value in (one, deepcopy(one), other))
    assert told == copied
    assert (told == others) == (repr(one) == repr(other))


def test_names_whose_contents_cannot_be_told_are_refused() -> None:
    with pytest.raises(TypeError, match=r"some_module\.f can't be compiled: can't tell what of this object"):
        njit()(function("return N", N=object()))
    with pytest.raises(TypeError, match=r"some_module\.f can't be compiled: .*compile it with leaveby\.compiling"):
        njit()(function("return N(x)", N=numba.njit(function("return x"))))
    with pytest.raises(TypeError, match=r"compile it with leaveby\.compiling"):
        vectorize(function("return N(x)", N=numba.vectorize(function("return x"))))


EVERYTHING = """
import importlib, json, sys
from leaveby import compiling

made, whole = [], compiling.digest

def noted(function, options):
    made.append((function, options, whole(function, options)))
    return made[-1][2]

compiling.digest = noted
for name in sys.argv[1:]:
    importlib.import_module(name)
changed = [f"{f.__module__}.{f.__qualname__}" for f, options, was in made if whole(f, options) != was]
sets = whole(lambda x: x in {"a", "b", "c", "d"}, {"fastmath": {"contract", "nsz", "arcp", "ninf"}})
print(json.dumps([changed, sets, sorted((f.__module__, f.__qualname__, was) for f, _, was in made)]))
"""


COMPILES = re.compile(r"from leaveby\.compiling import .*(njit|vectorize)")


def test_nothing_is_named_before_it_is_made_and_every_process_agrees() -> None:
    """What a function names is defined above it; a digest hangs neither on the order of sets nor on addresses."""
    package = Path(compiling.__file__).parent
    paths = [path for path in sorted(package.rglob("*.py")) if COMPILES.search(path.read_text("utf-8"))]
    modules = [".".join(("leaveby", *path.relative_to(package).with_suffix("").parts)) for path in paths]
    seen = []
    for seed, order in (("1", 1), ("2", -1)):
        done = subprocess.run(
            [sys.executable, "-c", EVERYTHING, *modules[::order]],
            capture_output=True,
            text=True,
            check=True,
            env={**os.environ, "PYTHONHASHSEED": seed},
        )
        seen.append(json.loads(done.stdout))
    assert seen[0][0] == []
    assert {module for module, _, _ in seen[0][2]} >= set(modules)
    assert seen[0] == seen[1]


def test_functions_look_as_they_were_written() -> None:
    def given_name(x: float, more: float = 1.0) -> float:
        """What it does."""
        return x + more

    made: Any = njit()(given_name)
    assert (made.__name__, made.__doc__, made.__qualname__) == (
        "given_name",
        "What it does.",
        given_name.__qualname__,
    )
    assert made.__module__ == given_name.__module__
    assert pickle.loads(pickle.dumps(made))(1.0) == made(1.0) == given_name(1.0) == 2.0
    assert made.targetoptions["nogil"]
    by_keyword: Any = njit()(lambda x, *, more=1.0: x + more)
    assert inspect.signature(by_keyword).parameters["more"].default == 1.0
    assert vectorize(lambda x: x + 1.0)(np.arange(3.0)).tolist() == [1.0, 2.0, 3.0]


def test_ways_of_compiling_one_function_are_kept_apart(tmp_path: Path) -> None:
    """A ufunc divides by zero as numpy does, a function as Python does, also when both come from disk."""
    text = """
from leaveby.compiling import njit, vectorize

def _ratio(x, y): return x / y

over, one = vectorize(_ratio), njit()(_ratio)
if __name__ == "__main__":
    import numpy as np
    with np.errstate(all="ignore"):
        print(over(1.0, 0.0))
    try:
        one(1.0, 0.0)
    except ZeroDivisionError:
        print("refused")
"""
    (tmp_path / "ratio.py").write_text(text, encoding="utf-8")
    for _ in range(2):
        done = subprocess.run([sys.executable, "ratio.py"], cwd=tmp_path, capture_output=True, text=True, check=True)
        assert done.stdout.split() == ["inf", "refused"]


def test_a_numba_without_its_private_option_compiles_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    assert "_nrt" in COMPILED
    assert compiling._is_option("_nrt"), "this numba has it, else the arrival solver is eight times slower"
    assert not njit(**COMPILED)(function("return x")).targetoptions["_nrt"]
    for place in cpu_target.options.__mro__:
        if "_nrt" in vars(place):
            monkeypatch.delattr(place, "_nrt")
    with pytest.raises(KeyError, match="_nrt"):
        numba.njit(**COMPILED)(function("return x + y"))(1.0)
    made: Any = njit(**COMPILED)(function("return x + y"))
    assert made(1.0) == 3.0
    with pytest.raises(KeyError, match="no_such"):
        njit(no_such=True)(function("return x"))(1.0)
