"""What people look for in the register: by a mark to the letter, or by the beginnings of words (`q`).

What few things have is found first, as their ids; a list then shows those. A beginning that many have is looked up for each thing as
the list goes along, where it is met soon. Either way a page reads few rows, whatever the database's statistics know.
"""

from collections.abc import Mapping
from typing import Annotated, Final
from uuid import UUID

from msgspec import Meta

from service.db.pool import Connection, Pool
from service.db.statements import statements
from service.problems import problem
from service.registry.schemas import Found

_SQL = statements(__name__)

FEW: Final = 500
"""So many things are looked up by their ids; what more have is looked for along the list."""
MOST_WORDS: Final = 8
_BEYOND: Final = "\U0010ffff"
"""Behind every letter: words that begin alike end before it."""

Search = Annotated[str, Meta(min_length=1, max_length=200)]


async def find(pool: Pool, utility: str, thing: str, marks: Mapping[str, str | None], q: str | None) -> Found:
    """What has all those marks and a word that begins with each word of `q`; ProblemError where `q` has no word, or too many."""
    wanted = {name: value for name, value in marks.items() if value is not None}
    if not wanted and q is None:
        return Found()
    async with pool.lend(utility, by_key=True) as connection:
        sets: list[set[UUID]] = []
        for name, value in wanted.items():
            rows = await connection.fetch(_SQL[f"{thing}_{name}"], utility, value, FEW + 1)
            if len(rows) > FEW:
                raise problem("search_too_wide", parameter=name, at_most=FEW)
            sets.append({row[0] for row in rows})
        lows: list[str] = []
        for word in await _words(connection, q):
            statement = _SQL["assembly_by_word" if thing == "assembly" else "by_word"]
            rows = await connection.fetch(statement, utility, thing, word, word + _BEYOND, FEW + 1)
            if len(rows) > FEW:
                lows.append(word)
            else:
                sets.append({row[0] for row in rows})
    ids = sorted(set.intersection(*sets)) if sets else None
    return Found(ids=ids, lows=lows, highs=[low + _BEYOND for low in lows])


async def _words(connection: Connection, q: str | None) -> list[str]:
    if q is None:
        return []
    words = [word for word in await connection.fetchval(_SQL["query_words"], q.split()[: MOST_WORDS + 1]) if word]
    if not 0 < len(words) <= MOST_WORDS:
        raise problem("search_words", parameter="q", at_most=MOST_WORDS)
    return words
