"""The frame of every page: our own plain look, legible light and dark, in print and at 320 pixels.

A page is a template beside its subject that extends `page.html` here. Whatever is put into one is escaped.
"""

from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

CAUTION: Final = "Local codes and a licensed tester decide; nothing here replaces them."

# No script, no frame, nothing from elsewhere; only the style below.
HEADERS: Final = {
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}

TEMPLATES: Final = Environment(
    loader=PackageLoader("service", ""),
    autoescape=True,
    undefined=StrictUndefined,
    auto_reload=False,
    trim_blocks=True,
    lstrip_blocks=True,
)


def page(template: str, /, title: str, **content: Any) -> bytes:
    """A whole page of that template, such as `receipts/form.html`, with what it names."""
    return TEMPLATES.get_template(template).render(title=title, caution=CAUTION, **content).encode()


def marked(text: str) -> Markup:
    """A text as HTML, with what stands in backticks as code."""
    parts = text.split("`")
    return Markup("").join(Markup("<code>{}</code>").format(part) if at % 2 else part for at, part in enumerate(parts))


TEMPLATES.filters["marked"] = marked
