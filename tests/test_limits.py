"""The house stays small enough to read: lengths of functions, of folders, and of the whole. Limits are ours.

How many ways a function may branch is held by ruff (C901 in pyproject.toml).
"""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[1] / "toolkit" / "leaveby"
LONGEST_FUNCTION = 80
LONGEST_COMPILED = 120
MOST_PARAMETERS = 8
MOST_MODULES = 15
MOST_LINES = 47_410
COMPILING = {"compiled", "inlined", "njit"}

SOURCES = {path.relative_to(PACKAGE): path.read_text(encoding="utf-8") for path in sorted(PACKAGE.rglob("*.py"))}


def faults_of(function: ast.FunctionDef | ast.AsyncFunctionDef) -> list[str]:
    """What is over its limit; a compiled function may be longer, and take what it works on array by array."""
    is_compiled = any(ast.unparse(one).split("(")[0] in COMPILING for one in function.decorator_list)
    given = function.args
    named = [*given.posonlyargs, *given.args, *given.kwonlyargs, given.vararg, given.kwarg]
    lines, parameters = (function.end_lineno or 0) - function.lineno + 1, sum(one is not None for one in named)
    faults = []
    if lines > (LONGEST_COMPILED if is_compiled else LONGEST_FUNCTION):
        faults.append(f"{lines} lines")
    if parameters > MOST_PARAMETERS and not is_compiled:
        faults.append(f"{parameters} parameters")
    return faults


def functions_of(source: str) -> list[ast.FunctionDef | ast.AsyncFunctionDef]:
    return [node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]


def test_functions_are_short_and_ask_for_little() -> None:
    over = [
        f"{path}:{function.lineno} {function.name}: {' and '.join(faults)}"
        for path, source in SOURCES.items()
        for function in functions_of(source)
        if (faults := faults_of(function))
    ]
    assert not over, "\n".join(over)


def test_folders_are_small_enough_to_see_at_a_glance() -> None:
    modules = Counter(path.parent for path in SOURCES if path.name != "__init__.py")
    assert {str(folder): count for folder, count in modules.items() if count > MOST_MODULES} == {}


def test_the_whole_can_be_read() -> None:
    assert sum(len(source.splitlines()) for source in SOURCES.values()) <= MOST_LINES


def test_the_limits_are_seen() -> None:
    """By hand: one line and one parameter too many, starred ones counted, and what a compiled function may have."""
    body = "\n    x = 1" * 80
    (one,) = functions_of(f"def f(a, /, b, c, *d, e, f, g, h, **i):{body}")
    assert faults_of(one) == ["81 lines", "9 parameters"]
    (one,) = functions_of(f"def f(a, /, b, c, *d, e, f, g, h):{body[10:]}")
    assert faults_of(one) == []
    (one,) = functions_of(f"@compiled()\ndef f(a, /, b, c, *d, e, f, g, h, **i):{body}")
    assert faults_of(one) == []
    (one,) = functions_of(f"@compiled\ndef f():{body}{body}")
    assert faults_of(one) == ["161 lines"]
