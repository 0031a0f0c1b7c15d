"""Write the page of the package's public names: ``python tests/api/make_api.py``.

Docstrings are read by docstring_parser and their text by docutils, so that the page says what
`help` says. The page ships with the package as ``silagetrial/api.html``.
"""

from __future__ import annotations

import inspect
import re
import sys
from collections.abc import Callable, Iterator
from functools import cache, cached_property
from html import escape
from itertools import groupby
from pathlib import Path
from types import ModuleType
from typing import Any, Final

import docstring_parser
from docstring_parser.common import (
    Docstring,
    DocstringExample,
    DocstringMeta,
    DocstringParam,
    DocstringRaises,
    DocstringReturns,
    DocstringStyle,
)
from docutils.core import publish_parts
from docutils.frontend import Values, get_default_settings
from docutils.parsers.rst import Parser
from docutils.writers.html5_polyglot import Writer

import silagetrial
from silagetrial import mixed
from silagetrial.display.page import STYLE, page

ROOT: Final = Path(__file__).parents[2]
PAGE: Final = ROOT / "silagetrial" / "api.html"
MODULES: Final = (silagetrial, mixed)
WIDE: Final = 76
"""Longest signature on one line."""
DOCUTILS: Final = {
    "halt_level": 2,  # a text that docutils does not understand is an error, not a red box
    "traceback": True,  # raised, with the text's line
    "warning_stream": False,
    "raw_enabled": False,
    "file_insertion_enabled": False,
    "math_output": "MathML",
}
PAGE_STYLE: Final = (
    STYLE
    + """\
section.api pre { margin: 0.5rem 0; white-space: pre-wrap; overflow-wrap: anywhere; }
.api-names { columns: 13rem; padding-left: 0; list-style: none; }
section.api { margin: 2.2rem 0; }
h4 { font-size: 1rem; margin: 1rem 0 0.3rem; break-after: avoid; }
dl { margin: 0.3rem 0; }
dt { margin-top: 0.4rem; overflow-wrap: anywhere; }
dd { margin: 0.1rem 0 0.1rem 1.5rem; max-width: 46rem; }
dd:empty { display: none; }
dd p, li p { margin: 0.2rem 0; }
.api-type { color: var(--quiet); }
code, pre, .literal { font-family: ui-monospace, "Liberation Mono", monospace; }
p code, dd code, li code { overflow-wrap: anywhere; }
"""
)


def make_page() -> str:
    """Return the page."""
    body = [
        f"<p>Every public name of <code>silagetrial</code> {silagetrial.__version__}, as "
        "<code>help</code> says it. In Python write <code>import silagetrial as st</code>, then "
        "<code>st.power(...)</code>; names of the engine come from "
        "<code>silagetrial.mixed</code>.</p>",
        '<nav aria-label="Contents">',
        *(_contents(module) for module in MODULES),
        "</nav>",
    ]
    for module in MODULES:
        body.append(f"<h2><code>{module.__name__}</code></h2>")
        body += [_entry(module, name) for name in _own_names(module)]
    return page("silagetrial: public names", "\n".join(body), style=PAGE_STYLE)


def _names(module: ModuleType) -> list[str]:
    """Public names of a module that have a docstring of their own."""
    return [name for name in module.__all__ if not name.startswith("_")]


def _own_names(module: ModuleType) -> list[str]:
    """Names described under this module: a name of two modules is described once."""
    return [name for name in _names(module) if _home(name) is module]


def _home(name: str) -> ModuleType | None:
    """The first module that has a name."""
    return next((module for module in MODULES if name in _names(module)), None)


def _anchor(name: str) -> str:
    module = _home(name)
    assert module is not None, name
    return f"{module.__name__}.{name}"


def _contents(module: ModuleType) -> str:
    items = "".join(
        f'<li><a href="#{_anchor(name)}"><code>{name}</code></a></li>' for name in _names(module)
    )
    return f'<h2>Contents: <code>{module.__name__}</code></h2><ul class="api-names">{items}</ul>'


def _entry(module: ModuleType, name: str) -> str:
    """One name: its signature, its words and, of a class, its methods."""
    thing = getattr(module, name)
    kind = "class" if inspect.isclass(thing) else "function"
    parts = [f"<h3><code>{name}</code> <small>{kind}</small></h3>"]
    if not (inspect.isclass(thing) and _is_result(thing)):
        parts.append(_signature(name, thing))
    parts.append(_described(thing))
    parts += _properties(thing)
    parts += [_method(method, function) for method, function in _methods(thing)]
    return f'<section class="api" id="{_anchor(name)}">\n' + "\n".join(parts) + "\n</section>"


def _is_result(thing: type) -> bool:
    """Whether nobody makes the class by hand: all but few public classes are results."""
    return hasattr(thing, "__dataclass_fields__")


def _methods(thing: Any) -> Iterator[tuple[str, Callable[..., Any]]]:
    """Public methods of a class, in the order written."""
    if inspect.isclass(thing):
        for name, member in vars(thing).items():
            if inspect.isfunction(member) and not name.startswith("_") and member.__doc__:
                yield name, member


def _properties(thing: Any) -> list[str]:
    """Public properties of a class that its docstring does not list already."""
    if not inspect.isclass(thing):
        return []
    told = {name.strip() for item in _parsed(thing).params for name in item.arg_name.split(",")}
    found = [
        f"<dt><code>{name}</code></dt><dd>{_described(member)}</dd>"
        for name, member in vars(thing).items()
        if isinstance(member, property | cached_property) and not name.startswith("_")
        if member.__doc__ and name not in told
    ]
    return ["<h4>Properties</h4>\n<dl>\n" + "\n".join(found) + "\n</dl>"] if found else []


def _method(name: str, function: Callable[..., Any]) -> str:
    return f"<h4><code>.{name}</code></h4>\n{_signature(name, function)}\n{_described(function)}"


def _signature(name: str, thing: Callable[..., Any]) -> str:
    """The call, on one line or with a line for each parameter."""
    signature = inspect.signature(thing)
    written: list[str] = []
    for parameter in signature.parameters.values():
        if parameter.name == "self":
            continue
        if parameter.kind is parameter.KEYWORD_ONLY and "*" not in written:
            written.append("*")
        written.append(_parameter(parameter))
    returned = signature.return_annotation
    arrow = "" if returned is signature.empty else f" -> {_annotation(returned)}"
    line = f"{name}({', '.join(written)}){arrow}"
    if len(line) > WIDE:
        line = f"{name}(\n" + "".join(f"    {part},\n" for part in written) + f"){arrow}"
    return f"<pre>{_linked(line)}</pre>"


def _parameter(parameter: inspect.Parameter) -> str:
    text = parameter.name
    if parameter.annotation is not parameter.empty:
        text += f": {_annotation(parameter.annotation)}"
    if parameter.default is not parameter.empty:
        default = repr(parameter.default)
        text += f" = {'...' if ' at 0x' in default or len(default) > 40 else default}"
    return text


def _annotation(annotation: Any) -> str:
    return annotation if isinstance(annotation, str) else inspect.formatannotation(annotation)


def _linked(text: str, *, but: str = "") -> str:
    """Escape a type or a signature, and link the public classes in it."""

    def link(match: re.Match[str]) -> str:
        """A link, where the word is a public class."""
        word = match.group()
        home = _home(word)
        if home is None or word == but or not inspect.isclass(getattr(home, word)):
            return word
        return f'<a href="#{_anchor(word)}">{word}</a>'

    return re.sub(r"(?<![\w&])[A-Z]\w+", link, escape(text, quote=False))


def _described(thing: Any) -> str:
    """The docstring, section by section."""
    parsed = _parsed(thing)
    parts = [_html(part) for part in (parsed.short_description, parsed.long_description) if part]
    for title, items in groupby(parsed.meta, key=_title):
        parts.append(f"<h4>{title}</h4>\n" + _section(title, list(items)))
    return "\n".join(parts)


def _parsed(thing: Any) -> Docstring:
    """The docstring in its parts."""
    return docstring_parser.parse(inspect.getdoc(thing) or "", style=DocstringStyle.NUMPYDOC)


def _title(meta: DocstringMeta) -> str:
    """The heading a part of a docstring stood under."""
    titles = {"param": "Parameters", "attribute": "Attributes"}
    return titles.get(meta.args[0], meta.args[0].capitalize())


def _section(title: str, items: list[DocstringMeta]) -> str:
    if all(isinstance(item, DocstringExample) for item in items):
        return f"<pre>{escape(_example(items))}</pre>"
    named = (DocstringParam, DocstringReturns, DocstringRaises)
    if all(isinstance(item, named) for item in items):
        return "<dl>\n" + "\n".join(_item(item) for item in items) + "\n</dl>"
    return "\n".join(_html(item.description or "") for item in items)


def _example(items: list[DocstringMeta]) -> str:
    lines = [
        text.replace("# doctest: +SKIP", "").rstrip()
        for item in items
        if isinstance(item, DocstringExample)
        for part in (item.snippet, item.description)
        if part
        for text in part.split("\n")
    ]
    return "\n".join(lines)


def _item(item: Any) -> str:
    """A parameter, attribute, result or error with its type and its words."""
    name = getattr(item, "arg_name", None) or getattr(item, "return_name", None)
    kind = item.type_name
    if kind and getattr(item, "is_optional", False):
        kind += ", optional"
    if getattr(item, "default", None) and "default" not in (item.description or ""):
        kind = f"{kind}, by default {item.default}"
    head = f"<code>{escape(name)}</code>" if name else ""
    typed = f'<span class="api-type">{_linked(kind)}</span>' if kind else ""
    words = _html(item.description) if item.description else ""
    joined = " : ".join(part for part in (head, typed) if part)
    return f"<dt>{joined}</dt><dd>{words}</dd>"


@cache
def _settings() -> Values:
    """Settings of docutils, made once: they take longer than a text does."""
    settings = get_default_settings(Parser, Writer)
    for name, value in DOCUTILS.items():
        setattr(settings, name, value)
    return settings


def _html(text: str) -> str:
    """Turn the markup of a docstring into HTML; a name in single quotes is code."""
    source = f".. default-role:: code\n\n{text}"
    parts = publish_parts(source, writer=Writer(), settings=_settings())
    return str(parts["fragment"]).strip()


if __name__ == "__main__":
    if Path(silagetrial.__file__).parents[1] != ROOT:
        sys.exit(f"{silagetrial.__file__} is another package than the one in {ROOT}: install that")
    PAGE.write_text(make_page(), encoding="utf-8", newline="\n")
