"""Every column that the derivation names exists in the dictionary, or the derivation makes it."""

import ast
from pathlib import Path

import registry.derive
from registry.derive.milestones import MILESTONES
from registry.dictionary import TABLES
from registry.dictionary.injury import STRUCTURES

FOLDER = Path(registry.derive.__file__).parent
FRAME_CALLS = {"select", "group_by", "with_columns", "agg", "join", "over", "unique", "sort", "rename", "drop"}


def calls():
    for file in sorted(FOLDER.glob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                yield file.name, node.func.attr, node


def literals(nodes):
    for node in nodes:
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value
        elif isinstance(node, ast.List | ast.Tuple):
            yield from literals(node.elts)


def made():
    names = set()
    for _, name, node in calls():
        if name in {"with_columns", "select", "agg"}:
            names |= {keyword.arg for keyword in node.keywords if keyword.arg}
        if name == "alias":
            names |= set(literals(node.args))
        if name == "rename":
            for mapping in node.args:
                names |= set(literals(mapping.values)) if isinstance(mapping, ast.Dict) else set()
    return names | set(literals(_keys_of_expressions()))


def _keys_of_expressions():
    for file in FOLDER.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Dict):
                yield from (
                    key for key, value in zip(node.keys, node.values, strict=True) if isinstance(value, ast.Call)
                )


def in_dictionary():
    fields = [field for table in TABLES.values() for field in table.fields]
    days = {f"{field.name}_day" for field in fields if field.kind == "date"}
    return {"site"} | days | {field.name for field in fields}


def test_every_column_literal_is_known():
    from registry.derive.grading import _counted

    # "age" is what grade_pulleys may be given; "*" is SQL.
    dynamic = (
        {"age", "*"} | set(_counted()) | {"thumb_digit", "young", "physis"} | {f"has_{word}" for word in STRUCTURES}
    )
    dynamic |= {f"{m}_{part}" for m in MILESTONES for part in ("kind", "day", "after", "without")}
    dynamic |= {"starts_day", "ends_day", "minutes", "sessions", "starts", "part_from", "part_to", "found_day"}
    known = in_dictionary() | made() | dynamic
    unknown = set()
    for file, name, node in calls():
        if name == "col":
            unknown |= {(file, word) for word in literals(node.args) if word not in known}
        elif name in FRAME_CALLS:
            words = [*node.args, *(k.value for k in node.keywords if k.arg in {"on", "subset", "order_by"})]
            unknown |= {(file, word) for word in literals(words) if word not in known}
    assert unknown == set()
    assert len(known) > 100
