"""A page from a template beside this module: no script, no external resource; what comes from outside is escaped."""

from collections.abc import Mapping
from functools import lru_cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from instruments.texts import as_page

__all__ = ["filled", "page"]


def page(template: str, **fields: object) -> str:
    """A template with its fields; those that are no `Markup` are escaped."""
    return filled(template, fields, package=__package__)


def filled(template: str, fields: Mapping[str, object], *, package: str) -> str:
    """A template of a package of ours with its fields, as `page`."""
    return as_page(_template(template, package).render(fields))


@lru_cache
def _template(name: str, package: str) -> Template:
    environment = Environment(
        loader=PackageLoader("sequencer", package.removeprefix("sequencer.")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)
