"""Count floating-point operations: the package's source is rewritten as it is imported.

Every operator, method and function of numpy in the rewritten modules goes through `Count`, which
does it and adds what it costs, from the shapes.  Additions, multiplications, divisions, roots and
logarithms of one number count as one; comparisons, copies and choices as none.  LAPACK's parts
count as in Golub & Van Loan (Matrix Computations, 4th ed., 2013): solving ``2/3 n^3 + 2 n^2 m``,
inverting ``2 n^3``, determinants ``2/3 n^3``, eigenvalues ``4/3 n^3``, Cholesky ``1/3 n^3``.
"""

from __future__ import annotations

import ast
import importlib.abc
import importlib.machinery
import operator
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

import numpy as np

__all__ = ["COUNT", "install"]

OPERATORS = {
    "Add": operator.add, "Sub": operator.sub, "Mult": operator.mul, "Div": operator.truediv,
    "Pow": operator.pow, "MatMult": operator.matmul,
}  # fmt: skip
IN_PLACE = {
    "Add": operator.iadd, "Sub": operator.isub, "Mult": operator.imul, "Div": operator.itruediv,
    "Pow": operator.ipow, "MatMult": operator.imatmul,
}  # fmt: skip
CUBES = {"inv": 2.0, "slogdet": 2 / 3, "eigvalsh": 4 / 3, "cholesky": 1 / 3, "eigh": 9.0}
REDUCTIONS = ("sum", "mean", "prod", "std", "trace", "reduceat")
FREE = ("isfinite", "isnan", "isinf", "negative", "maximum", "minimum", "abs", "absolute", "sign",
        "isneginf", "logical_and")  # fmt: skip
DEVIATES = ("standard_normal", "random", "standard_t", "integers")


class Count(Counter[str]):
    """Operations by kind: products, factorisations, elementwise, special functions, deviates."""

    def binary(self, name: str, left: Any, right: Any) -> Any:
        """Do an operator."""
        return self._of_binary(name, left, right, OPERATORS[name](left, right))

    def in_place(self, name: str, left: Any, right: Any) -> Any:
        """Do an operator that changes its left side."""
        return self._of_binary(name, left, right, IN_PLACE[name](left, right))

    def _of_binary(self, name: str, left: Any, right: Any, out: Any) -> Any:
        if isinstance(out, np.ndarray | np.floating) and np.issubdtype(out.dtype, np.floating):
            if name == "MatMult":
                self["products"] += 2 * out.size * np.shape(left)[-1]
            else:
                self["elementwise"] += out.size
        return out

    def call(self, function: Any, *args: Any, **options: Any) -> Any:
        """Call a function or method and count it if it is one of numpy's or scipy's."""
        out = function(*args, **options)
        name = getattr(function, "__name__", "")
        owner = getattr(function, "__self__", None)
        module = str(getattr(function, "__module__", ""))
        if isinstance(function, np.ufunc):
            kind = "special" if "scipy" in str(type(function)) or name in _SPECIAL else ""
            self[kind or "elementwise"] += 0 if name in FREE else int(np.size(out))
        elif isinstance(owner, np.random.Generator) and name in DEVIATES:
            self["deviates"] += int(np.size(out))
        elif name in REDUCTIONS and (isinstance(owner, np.ndarray | np.ufunc) or "numpy" in module):
            whole = owner if isinstance(owner, np.ndarray) else args[0]
            if np.issubdtype(np.asarray(whole).dtype, np.floating):
                self["elementwise"] += int(np.size(whole))
        elif "numpy.linalg" in module or name in (*CUBES, "solve", "einsum"):
            self._algebra(name, args, out)
        return out

    def _algebra(self, name: str, args: tuple[Any, ...], out: Any) -> None:
        if name in CUBES:
            n, matrices = args[0].shape[-1], args[0].size / args[0].shape[-1] ** 2
            self["factorisations"] += round(CUBES[name] * n**3 * matrices)
        elif name == "solve":
            n = args[0].shape[-1]
            right = args[1].size / n
            self["factorisations"] += round(2 / 3 * n * args[0].size + 2 * n * n * right)
        elif name == "einsum" and len(args) > 2:
            self["products"] += _einsum_flops(args[0], [np.shape(a) for a in args[1:]])


_SPECIAL = ("fdtrc", "chdtrc", "stdtrit", "ndtri", "expit")


def _einsum_flops(text: str, shapes: list[tuple[int, ...]]) -> int:
    """Operations of an einsum that takes its operands from the left, two at a time."""
    inputs, output = text.split("->")
    terms = inputs.split(",")
    size = {i: n for term, shape in zip(terms, shapes, strict=True)
            for i, n in zip(term, shape, strict=True)}  # fmt: skip
    total, kept = 0, set(terms[0])
    for k, term in enumerate(terms[1:], start=1):
        joined = kept | set(term)
        later = set(output).union(*map(set, terms[k + 1 :]))
        total += 2 * int(np.prod([size[i] for i in joined]))
        kept = joined & later
    return total


class _Rewritten(ast.NodeTransformer):
    """Put `COUNT` in the place of operators and of calls of attributes."""

    def _counted(self, name: str, *parts: ast.expr, **more: Any) -> ast.Call:
        return ast.Call(ast.Attribute(ast.Name("COUNT", ast.Load()), name, ast.Load()),
                        list(parts), more.get("keywords", []))  # fmt: skip

    def visit_BinOp(self, node: ast.BinOp) -> ast.AST:
        self.generic_visit(node)
        name = type(node.op).__name__
        if name not in OPERATORS:
            return node
        return self._counted("binary", ast.Constant(name), node.left, node.right)

    def visit_AugAssign(self, node: ast.AugAssign) -> ast.AST:
        self.generic_visit(node)
        name = type(node.op).__name__
        if name not in IN_PLACE:
            return node
        read = ast.parse(ast.unparse(node.target), mode="eval").body
        value = self._counted("in_place", ast.Constant(name), read, node.value)
        return ast.Assign([node.target], value)

    def visit_Call(self, node: ast.Call) -> ast.AST:
        self.generic_visit(node)
        if not isinstance(node.func, ast.Attribute) or ast.unparse(node.func).startswith("COUNT"):
            return node
        return self._counted("call", node.func, *node.args, keywords=node.keywords)


class _Loader(importlib.machinery.SourceFileLoader):
    """Compile rewritten source; nothing is cached."""

    def get_code(self, fullname: str) -> CodeType:
        path = self.get_filename(fullname)
        tree = _Rewritten().visit(ast.parse(Path(path).read_bytes()))
        return compile(ast.fix_missing_locations(tree), path, "exec")

    def exec_module(self, module: ModuleType) -> None:
        module.__dict__["COUNT"] = COUNT
        super().exec_module(module)


class _Finder(importlib.abc.MetaPathFinder):
    def __init__(self, packages: Sequence[str]) -> None:
        self.packages = tuple(packages)

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if not fullname.startswith(self.packages):
            return None
        spec = importlib.machinery.PathFinder.find_spec(fullname, path, target)
        if spec is not None and isinstance(spec.loader, importlib.machinery.SourceFileLoader):
            spec.loader = _Loader(spec.loader.name, spec.loader.path)
        return spec


COUNT = Count()


def install(*packages: str) -> Count:
    """Count in packages imported from now on.

    Parameters
    ----------
    packages : str
        Names of packages of which nothing was imported yet.
    """
    started = [name for name in sys.modules if name.startswith(packages)]
    if started:
        raise RuntimeError(f"imported already: {', '.join(started)}")
    sys.meta_path.insert(0, _Finder(packages))
    return COUNT
