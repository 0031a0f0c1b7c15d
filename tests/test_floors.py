"""Imports go down the floors only, and only the command line knows the command line."""

import ast
from pathlib import Path

ROOT = Path(__file__).parents[1] / "silagetrial"
FLOORS = {
    "errors": 0, "terminal": 0, "display": 0, "data": 0,
    "silage": 1, "mixed": 1,
    "analysis": 2,
    "planning": 3,
    "report": 4,
    "cli": 5,
}  # fmt: skip
SEALED = {"mixed": {"mixed", "display", "errors"}}
"""`mixed` knows nothing of bales: not even the tables of a trial."""


def rooms_imported(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names: list[str] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.append(node.module or "")
        elif isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
    return {name.split(".")[1] for name in names if name.startswith("silagetrial.")}


def test_imports_go_down_the_floors() -> None:
    seen = 0
    for path in sorted(ROOT.rglob("*.py")):
        room = path.relative_to(ROOT).parts[0].removesuffix(".py")
        if room == "__init__":
            continue
        for imported in rooms_imported(path) - {room}:
            seen += 1
            assert FLOORS[imported] <= FLOORS[room], f"{path} imports {imported} from below"
            assert imported in SEALED.get(room, FLOORS), f"{path} imports {imported}"
    assert seen > 20


def test_no_import_of_our_own_package_inside_functions() -> None:
    for path in sorted(ROOT.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for function in ast.walk(tree):
            if isinstance(function, ast.FunctionDef):
                imports = (ast.Import, ast.ImportFrom)
                inside = [n for n in ast.walk(function) if isinstance(n, imports)]
                assert not inside, f"{path}: {function.name}"
