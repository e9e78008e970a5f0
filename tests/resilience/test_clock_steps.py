"""The machine's clock is set forward and back while the service works: nothing is lost, refused keys stay refused, and nobody is accused.

That a clock may step (as when it is first set from a time server) is common practice, no source.
"""

import asyncio
import datetime as dt
from typing import Any

from service import signing
from service.db.pool import Pool
from service.ledger.audit import Audited, audit
from service.ledger.store import LogStore
from service.ledger.tree import head
from tests.support.databases import in_thread
from tests.support.world import SIGNING_KEYS, Place, World, bearer

RING = signing.parse(SIGNING_KEYS)


def audited(world: World, code: str, *, seal: bool = False) -> Audited:
    async def done() -> Any:
        pool = await Pool.open(world.database.dsn, size=2)
        try:
            if seal:
                await head(LogStore(pool), RING, code, now=world.clock.now())
            return await audit(LogStore(pool), RING, code, (), lambda _done, _of: None)
        finally:
            await pool.close()

    return in_thread(lambda: asyncio.run(done()))  # type: ignore[no-any-return]


def test_a_key_revoked_while_the_clock_goes_back_is_refused(world: World, place: Place) -> None:
    path = f"/v1/organisations/{place.organisations['utility']}/keys"
    made = world.made(path, label="soon revoked")
    world.clock.pass_by(hours=2)
    assert world.client.get(f"{place.base}/reports", headers=bearer(made["key"])).status_code == 200
    world.clock.pass_by(hours=-1)
    world.operator.delete(f"{path}/{made['id']}").raise_for_status()
    world.clock.pass_by(seconds=6)
    assert world.client.get(f"{place.base}/reports", headers=bearer(made["key"])).status_code == 401


def test_reports_go_on_in_order_when_the_clock_steps(world: World, place: Place) -> None:
    performed_at = (world.clock.now() - dt.timedelta(hours=3)).isoformat()
    made = []
    for step in (0, 40, -39.5, -1, 0.01):
        world.clock.pass_by(hours=step)
        made += [place.recorded(performed_at=performed_at)["report"] for _ in range(3)]
    listed = place.get("/reports").json()["items"]
    assert [(one["log_index"], one["id"]) for one in listed] == [(n, one["id"]) for n, one in enumerate(made)]
    feed = place.get("/changes", limit=500).json()["items"]
    assert [one["sequence"] for one in feed] == list(range(1, len(feed) + 1))
    assert [one["id"] for one in feed if one["resource"] == "reports"] == [one["id"] for one in made]


def test_the_audit_states_where_a_clock_was_set_back_once_and_holds_it_against_nobody_once_it_is_signed(
    world: World, place: Place
) -> None:
    for step in (0, 1, -1, 0):
        world.clock.pass_by(hours=step)
        for _ in range(4):
            place.recorded()
            world.clock.pass_by(seconds=20)
    found = audited(world, place.code)
    assert [(one.what, one.log_index) for one in found.troubles] == [("clock set back", 8)]
    assert found.notes == []
    found = audited(world, place.code, seal=True)
    assert found.troubles == []
    assert [(one.what, one.log_index) for one in found.notes] == [("clock set back", 8)]
