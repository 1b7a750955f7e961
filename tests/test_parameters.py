"""Values that are not inputs stand in one registry, so that the list of what is our judgement is complete."""

from __future__ import annotations

import ast
import io
import tokenize
from pathlib import Path

import pytest

import leaveby
from leaveby import parameters
from leaveby.parameters import REGISTRY, Parameter

PACKAGE = Path(leaveby.__file__).parent

ELSEWHERE = {
    "decision.drill.injects": {"IN_SIGHT_M", "REPORTED_AFTER_S", "WIND_CHANGE_DEG"},
    "decision.streets.result": {"FEW_HOMES_PER_KM", "PEOPLE_PER_HOME", "VEHICLES_PER_HOME"},
    "decision.streets.survey": {"NOTABLE_SHARE", "SHORTEST_LISTED_M"},
    "files.write.reminders": {"_DAYS"},
    "household.plan": {"BEFORE_SEASON"},
    "notebook.fire_day": {"DRIVING_KM_H"},
}
"""Judged numbers that still stand in their own rooms: none may be added."""


def judged_numbers(path: Path) -> set[str]:
    """Names of module-level numbers that are called judgement: in the words under them, beside or above, or by mark."""
    text = path.read_text(encoding="utf-8")
    comments = {
        token.start[0]: token.string
        for token in tokenize.generate_tokens(io.StringIO(text).readline)
        if token.type == tokenize.COMMENT
    }
    body = ast.parse(text).body
    found = set()
    for node, after in zip(body, [*body[1:], None], strict=True):
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            continue
        numbers = [
            one
            for one in ast.walk(node.value)
            if isinstance(one, ast.Constant) and isinstance(one.value, int | float) and not isinstance(one.value, bool)
        ]
        words = [comments.get(line, "") for line in range(node.lineno, (node.end_lineno or node.lineno) + 1)]
        above = node.lineno - 1
        while above in comments:
            words.append(comments[above])
            above -= 1
        if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant):
            words.append(str(after.value.value))
        if isinstance(node.value, ast.Call):
            words += [str(one.value) for one in ast.walk(node.value) if isinstance(one, ast.Constant)]
        if numbers and "judgement" in " ".join(words).lower():
            target = node.targets[0] if isinstance(node, ast.Assign) else node.target
            found.add(ast.unparse(target))
    return found


def test_no_judged_number_stands_outside_the_registry() -> None:
    for path in sorted(PACKAGE.rglob("*.py")):
        module = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
        assert judged_numbers(path) <= ELSEWHERE.get(module, set()), module


@pytest.mark.parametrize(
    "text",
    [
        'A: Final = 3.0\n"""How far. Judgement."""\n',
        "# Our judgement, on the slow side.\nA = {'x': 3.0}\n",
        "A = 3.0  # judgement\n",
        'A: Final = Parameter(3.0, "m", 0.0, 9.0, "how far", "judgement")\n',
    ],
)
def test_a_judged_number_is_seen_however_it_is_marked(tmp_path: Path, text: str) -> None:
    path = tmp_path / "module.py"
    path.write_text(text, encoding="utf-8")
    assert judged_numbers(path) == {"A"}
    path.write_text(text.replace("udgement", "easured"), encoding="utf-8")
    assert judged_numbers(path) == set()


def test_every_value_of_the_registry_has_its_name_and_the_other_way_round() -> None:
    named = {name: value for name, value in vars(parameters).items() if isinstance(value, Parameter)}
    assert named == REGISTRY
    assert all(one.source and one.unit for one in REGISTRY.values())


def test_a_value_outside_its_own_range_is_refused() -> None:
    with pytest.raises(ValueError, match="lies outside"):
        Parameter(2.0, "m", 0.0, 1.0, "nowhere", "judgement")
