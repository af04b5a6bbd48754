"""A page from a template beside this module: no script, no external resource; what comes from outside is escaped."""

from functools import lru_cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from instruments.texts import as_page

__all__ = ["page"]


def page(template: str, **fields: object) -> str:
    """A template with its fields; those that are no `Markup` are escaped."""
    return as_page(_template(template).render(fields))


@lru_cache
def _template(name: str) -> Template:
    environment = Environment(
        loader=PackageLoader("sequencer", __package__.removeprefix("sequencer.")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)
