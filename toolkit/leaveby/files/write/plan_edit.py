"""Changes a plan file where a person asked for it, and leaves every other letter of it as it stands.

Each change takes the text of the file and gives another text, so that going back is taking the earlier text again.
Comments between two tables stay where they are, but those right above a header, with no blank line between, go with it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, Comment, InlineTable, Item, Table, Whitespace
from tomlkit.toml_document import TOMLDocument

from leaveby.errors import refused

Place = Sequence[str | int]
Body = list[tuple[Any, Item]]
"""What a table is made of: keys with what they hold; no key stands at comments and blank lines."""


def plain(text: str, *, where: str = "plan") -> dict[str, Any]:
    """Read what a text says.

    >>> plain("[home]\\nlon_deg = 148.9   # the gate\\n")
    {'home': {'lon_deg': 148.9}}
    """
    return _read(text, where=where)[1].unwrap()


def set_value(text: str, place: Place, value: Any) -> str:
    """Put a value at a place of the file; None takes the key away. Lists and tables keep what stays of them.

    InputError where the text can't be changed without moving what a person wrote.

    >>> print(set_value("[home]\\nlon_deg = 148.9   # the gate\\n", ("home", "lon_deg"), 149.0))
    [home]
    lon_deg = 149.0   # the gate
    """
    text, document = _read(text)
    *way, last = place
    held: Any = document
    for step in way:
        if isinstance(step, str) and step not in held:
            return text if value is None else f"{text}{_between(text)}[{step}]\n{last} = {_written(value)}\n"
        held = held[step]
    _put(held, last, value)
    return document.as_string()


def add_item(text: str, name: str, item: Mapping[str, Any]) -> str:
    """Add a table behind the last of its kind.

    >>> print(add_item('[[people]]\\nname = "Ana"\\n', "people", {"name": "Bo", "can": ["lift"]}))
    [[people]]
    name = "Ana"
    <BLANKLINE>
    [[people]]
    name = "Bo"
    can = ["lift"]
    """
    text, document = _read(text)
    made = "".join(f"{key} = {_written(value)}\n" for key, value in item.items())
    (table,) = _tables(tomlkit.parse(f"[[{name}]]\n{made}"), name)
    if name not in document:
        return f"{text}{_between(text)}[[{name}]]\n{made}"
    tables = _tables(document, name)
    tail = _cut(tables[-1].value.body)
    _end(tables[-1].value.body).append((None, Whitespace("\n")))
    _end(table.value.body).extend(tail)
    tables.append(table)
    return document.as_string()


def strike_item(text: str, name: str, number: int) -> str:
    """Take a table out, with the comments in it; those before and behind it stay.

    >>> print(strike_item('[[a]]\\nb = 1\\n\\n# Of the second.\\n\\n[[a]]\\nb = 2\\n', "a", 0))
    # Of the second.
    <BLANKLINE>
    [[a]]
    b = 2
    """
    _, document = _read(text)
    tables = _tables(document, name)
    head, rest = _split(document, name)
    before = head if number == 0 else tables[number - 1].value.body
    ahead, behind = _cut(before), _cut(tables.pop(number).value.body)
    if _says(ahead):
        # what was said right above the table is not said of the next one
        apart = [(None, Whitespace("\n"))] if _lead(ahead) else []
        kept = [*ahead, *apart, *(_from_comment(behind) if _says(behind) else [])]
    else:
        kept = behind if number or _says(behind) else ahead
    _end(before).extend(kept)
    document.body[:] = [*head, *(rest if tables else rest[1:])]
    return document.as_string()


def move_item(text: str, name: str, number: int, to: int) -> str:
    """Put a table at another place among its kind.

    >>> print(move_item('[[a]]\\nb = 1\\n\\n# Two.\\n[[a]]\\nb = 2\\n', "a", 1, 0))
    # Two.
    [[a]]
    b = 2
    <BLANKLINE>
    [[a]]
    b = 1
    """
    _, document = _read(text)
    tables = _tables(document, name)
    head, rest = _split(document, name)
    tails = [_cut(body) for body in (head, *(table.value.body for table in tables))]
    leads = [_cut_lead(tail) for tail in tails[:-1]]
    tables.insert(to, tables.pop(number))
    leads.insert(to, leads.pop(number))
    for body, tail, lead in zip((head, *(table.value.body for table in tables)), tails, [*leads, []], strict=True):
        _end(body).extend([*tail, *lead])
    document.body[:] = [*head, *rest]
    return document.as_string()


def _read(text: str, *, where: str = "plan") -> tuple[str, TOMLDocument]:
    """Read a text that can be given back letter by letter; its last line is ended."""
    text = text if text.endswith("\n") or not text else f"{text}\n"
    try:
        document = tomlkit.parse(text)
    except (TOMLKitError, ValueError) as error:
        raise refused(where, "toml_unreadable", wrong=str(error)) from error
    if document.as_string() != text:
        raise refused(where, "plan_scattered")
    return text, document


def _tables(document: TOMLDocument, name: str) -> list[Table]:
    """The tables of a kind, as the list that the document is written from."""
    held = document.get(name)
    if not isinstance(held, AoT):
        raise refused(name, "plan_in_one_line", name=name)
    return held.body


def _between(text: str) -> str:
    return "" if not text or text.endswith("\n\n") else "\n"


def _written(value: Any) -> str:
    if isinstance(value, Mapping):
        return (
            "{ " + ", ".join(f"{tomlkit.key(key).as_string()} = {_written(one)}" for key, one in value.items()) + " }"
        )
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_written, value)) + "]"
    return str(tomlkit.item(value).as_string())


def _put(held: Any, key: str | int, value: Any) -> None:
    """Put a value into a table or list; what is equal already is left as it is written."""
    if isinstance(key, str) and key not in held:
        if value is not None:
            tail = _cut(held.value.body) if isinstance(held, Table) else []
            held.append(key, tomlkit.value(_written(value)))
            _end(held.value.body).extend(tail)
        return
    old = held[key]
    if value is None:
        held.remove(key)
    elif isinstance(old, Table | InlineTable) and isinstance(value, Mapping):
        for name in [name for name in old if name not in value]:
            old.remove(name)
        for name, one in value.items():
            _put(old, name, one)
    elif not _same(old, value) and not (isinstance(old, Array) and _put_in_list(old, value)):
        held[key] = tomlkit.value(_written(value))


def _put_in_list(old: Array, new: Any) -> bool:
    """Change a list item by item, so that comments in it stay; whether that was enough."""
    if not isinstance(new, list | tuple):
        return False
    if len(old) == len(new):
        for number, one in enumerate(new):
            _put(old, number, one)
        return True
    for number in range(len(old) - 1, -1, -1):
        if old[number] not in new:
            del old[number]
    for one in new:
        if one not in old:
            old.append(tomlkit.value(_written(one)))
    return _same(old, new)


def _same(old: Any, new: Any) -> bool:
    """Whether a value stands there already; 1 and true, or 1 and 1.0, are two things."""
    return _written(old.unwrap() if isinstance(old, Item) else old) == _written(new)


def _split(document: TOMLDocument, name: str) -> tuple[Body, Body]:
    """What stands before the first table of a kind, and the rest."""
    at = next(at for at, (key, _) in enumerate(document.body) if key is not None and key.key == name)
    return document.body[:at], document.body[at:]


def _end(body: Body) -> Body:
    """The innermost table with which one ends: what is read next is put there."""
    while body and isinstance(body[-1][1], Table | AoT):
        last = body[-1][1]
        body = (last if isinstance(last, Table) else last.body[-1]).value.body
    return body


def _cut(body: Body) -> Body:
    """Take off the comments and blank lines at the end."""
    body = _end(body)
    at = len(body)
    while at and isinstance(body[at - 1][1], Whitespace | Comment):
        at -= 1
    tail = body[at:]
    del body[at:]
    return tail


def _lead(tail: Body) -> Body:
    """The comments right above the header that follows, with no blank line between."""
    at = len(tail)
    while at and isinstance(tail[at - 1][1], Comment):
        at -= 1
    return tail[at:]


def _cut_lead(tail: Body) -> Body:
    lead = _lead(tail)
    del tail[len(tail) - len(lead) :]
    return lead


def _says(tail: Body) -> bool:
    return any(isinstance(item, Comment) for _, item in tail)


def _from_comment(tail: Body) -> Body:
    return tail[next(at for at, (_, item) in enumerate(tail) if isinstance(item, Comment)) :]
