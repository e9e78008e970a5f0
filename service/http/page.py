"""The frame of every page: our own plain look, legible light and dark, in print and at 320 pixels."""

from html import escape
from typing import Final

CAUTION: Final = "Local codes and a licensed tester decide; nothing here replaces them."

# No script, no frame, nothing from elsewhere; only the style below.
HEADERS: Final = {
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}

_STYLE: Final = """
:root { color-scheme: light dark; --ink: #16221f; --paper: #fbfaf6; --line: #8a948f; --deep: #0b5a5e; }
@media (prefers-color-scheme: dark) { :root { --ink: #e6ece8; --paper: #121816; --line: #6d7873; --deep: #7fd0cf; } }
body { margin: 0 auto; max-width: 46rem; padding: 1.5rem 1rem 4rem; background: var(--paper); color: var(--ink); font: 1rem/1.55 Georgia, serif; overflow-wrap: anywhere; }
h1 { font-size: 1.5rem; line-height: 1.25; border-bottom: 3px double var(--line); padding-bottom: .5rem; }
h2 { font-size: 1.15rem; margin-top: 2rem; } h3 { font-size: 1rem; margin: 1.5rem 0 .25rem; }
a { color: var(--deep); } code, pre { font: .9em/1.45 ui-monospace, monospace; } pre { overflow-x: auto; border-left: 3px solid var(--line); padding-left: .75rem; }
table { border-collapse: collapse; width: 100%; } th, td { text-align: left; vertical-align: top; padding: .3rem .6rem .3rem 0; border-bottom: 1px solid var(--line); }
td.figure { white-space: nowrap; } .method { display: inline-block; min-width: 4rem; font-weight: bold; } .note { border: 1px solid var(--line); padding: .5rem .75rem; }
details > summary { cursor: pointer; }
"""


def page(title: str, body: str) -> bytes:
    """A whole page; `title` is escaped here, `body` is HTML already."""
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)} – Nonreturn</title><style>{_STYLE}</style></head><body><main><h1>{escape(title)}</h1>{body}</main>"
        f'<footer><p class="note">{CAUTION}</p></footer></body></html>'
    ).encode()
