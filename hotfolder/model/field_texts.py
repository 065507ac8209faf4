"""The texts under the fields of a model, read from its source when they are asked for.

Pydantic can read them when a class is made, but parses the source of every model at every start of
the program for what only a message or a generated page shows.
"""

from __future__ import annotations

import ast
import inspect
import textwrap
from functools import cache
from itertools import pairwise


@cache
def read_field_texts(model: type) -> dict[str, str]:
    """Read the string literal that stands under each field.

    Parameters
    ----------
    model
        A class whose source is at hand.

    Returns
    -------
    By the field's name, of the class and of those that it extends; a field without one is left out.
    """
    found: dict[str, str] = {}
    for each in reversed(model.__mro__):
        if each.__module__ not in {"builtins", "pydantic.main"}:
            found |= _read_own(each)
    return found


def _read_own(model: type) -> dict[str, str]:
    try:
        source = inspect.getsource(model)
    except (OSError, TypeError):  # made at run time, or installed without its source
        return {}
    body = ast.parse(textwrap.dedent(source)).body[0]
    nodes = body.body if isinstance(body, ast.ClassDef) else []
    return {
        node.target.id: inspect.cleandoc(text)
        for node, below in pairwise(nodes)
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name)
        if isinstance(below, ast.Expr) and isinstance(below.value, ast.Constant)
        if isinstance(text := below.value.value, str)
    }
