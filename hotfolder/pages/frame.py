"""What pages have in common: templates, style, and the hashes by which one admits its parts.

A page is one file that needs nothing else. Its Content Security Policy (Level 3, in a ``meta``
element) names the SHA-256 of the one style sheet, and of the script if there is one.
"""

from __future__ import annotations

import hashlib
from base64 import b64encode
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from hotfolder.model.units import say_share
from hotfolder.pages.words import local_time

if TYPE_CHECKING:
    from jinja2 import Environment, Template

_OURS = "hotfolder.pages"


def style(colours: Mapping[str, tuple[int, int, int]], more: str = "") -> str:
    """Return the style sheet of proofs.

    Parameters
    ----------
    colours
        Values of its custom colours, sRGB, 0 … 255, by name.
    more
        Rules of the page's own.

    Returns
    -------
    The text of the style sheet.
    """
    lines = [
        f"--{name}: rgb({red} {green} {blue});" for name, (red, green, blue) in colours.items()
    ]
    own = f":root {{ {' '.join(lines)} }}\n" if lines else ""
    return f"{text_of(_OURS, 'proof.css')}{more}\n{own}"


def source_hash(text: str) -> str:
    """Return the source expression of a policy that admits exactly this text.

    Parameters
    ----------
    text
        Of a style sheet or a script, as it stands in the page.

    Returns
    -------
    A source expression of Content Security Policy: ``'sha256-…'``.
    """
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{b64encode(digest).decode('ascii')}'"


def load_template(package: str, name: str) -> Template:
    """Load a page from the ``templates`` of a package, compiled.

    What it is given is escaped, a name that it is not given is an error, and it may use the filters
    ``local_time`` and ``say_share``, and the parts of pages that `hotfolder.pages` has
    (``proof_parts.html``).

    Parameters
    ----------
    package
        Dotted name of the package.
    name
        Of the file.

    Returns
    -------
    The template.

    Raises
    ------
    jinja2.TemplateNotFound
        When the package has no such file.
    """
    return _environment(package).get_template(name)


@cache
def _environment(package: str) -> Environment:
    # settings are read without a page, and most commands make none
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    packages = dict.fromkeys((package, _OURS))
    made = Environment(
        loader=ChoiceLoader([PackageLoader(each) for each in packages]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["local_time"] = local_time
    made.filters["say_share"] = say_share
    return made


@cache
def text_of(package: str, name: str) -> str:
    """Read a file from the ``templates`` of a package.

    Parameters
    ----------
    package
        Dotted name of the package.
    name
        Of the file.

    Returns
    -------
    Its text.
    """
    return files(package).joinpath("templates", name).read_text("utf-8")
