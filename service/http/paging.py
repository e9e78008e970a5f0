"""Lists: a page of items, and where the next begins (also as a `Link` header, RFC 8288)."""

from collections.abc import Callable, Sequence
from functools import cache
from typing import Annotated, Any, Generic, TypeVar
from urllib.parse import urlencode
from uuid import UUID

from msgspec import Meta, Struct, defstruct

from service.http.endpoint import Answer, Call

T = TypeVar("T")
Limit = Annotated[int, Meta(ge=1, le=500)]


class Page(Struct, Generic[T], frozen=True, kw_only=True):
    """A page of items; `next` is the path of the next page, or null."""

    items: list[T]
    next: str | None


@cache
def page_of(shape: Any) -> Any:
    """The struct of a page of those, under a name of its own in the published contract."""
    return defstruct(
        f"{shape.__name__}Page",
        [("items", list[shape]), ("next", str | None)],
        namespace={"__doc__": f"A page of a list of `{shape.__name__}`."},
        frozen=True,
        kw_only=True,
    )


class AfterId(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where a list ordered by id goes on, and how many items a page has."""

    after: UUID | None = None
    limit: Limit = 100


def page(call: Call, found: Sequence[Any], limit: int, cursor: Callable[[Any], str]) -> Answer:
    """A page from up to limit + 1 found items: the one too many says that there is a next page."""
    items = list(found[:limit])
    following = None
    headers = {}
    if len(found) > limit:
        kept = {name: value for name, value in call.request.query_params.multi_items() if name != "after"}
        following = f"{call.request.url.path}?{urlencode({**kept, 'after': cursor(items[-1])})}"
        headers["Link"] = f'<{following}>; rel="next"'
    return Answer(body=Page(items=items, next=following), headers=headers)
