"""Jinja, set up once for every template of the project."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from statecraft.folding import plural
from statecraft.resources import folder


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The environment: templates from ``templates/``, block lines trimmed, HTML escaped, an unknown name an error."""
    made = Environment(
        loader=FileSystemLoader(folder("templates")),
        undefined=StrictUndefined,
        autoescape=lambda name: bool(name and ".html" in name),
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters["plural"] = plural
    made.filters["breakable"] = _breakable
    return made


def _breakable(name: str) -> Markup:
    """A long name for HTML, which may be broken behind each of its underscores."""
    return Markup("_<wbr>").join(name.split("_"))


def render(template: str, **values: Any) -> str:
    """The text of ``template`` (a path below ``templates/``) filled with ``values``.

    Raises:
        jinja2.TemplateError: a fault of the template: a name it needs was not given.
    """
    return environment().get_template(template).render(**values)
