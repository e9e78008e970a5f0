"""What one key may hold and have at a time: batches, answers that nobody reads, requests that wait. Others have their own."""

import http.client
import json
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from typing import Any
from urllib.parse import urlsplit
from uuid import uuid4

import httpx
import pytest

from service.auth.rates import Allowances, Shares
from service.http.problem_details import status_of
from service.http.spool import IN_MEMORY, Spool
from service.problems import ProblemError
from service.record.changes.store import ChangeStore
from tests.support.databases import Database
from tests.support.world import Place, World, bearer, world_in


def sent(place: Place, body: bytes, key: str = "testing_company") -> httpx.Response:
    headers = bearer(place.keys[key]) | {"Content-Type": "application/x-ndjson"}
    return httpx.post(
        f"{place.world.url}{place.base}/reports/batches", content=body, headers=headers, timeout=30, trust_env=False
    )


@contextmanager
def open_batch(place: Place, key: str) -> Iterator[http.client.HTTPConnection]:
    """A batch of which nothing was sent but its head."""
    address = urlsplit(place.world.url)
    with closing(http.client.HTTPConnection(str(address.hostname), address.port, timeout=10)) as connection:
        connection.putrequest("POST", f"{place.base}/reports/batches")
        connection.putheader("Authorization", f"Bearer {place.keys[key]}")
        connection.putheader("Content-Type", "application/x-ndjson")
        connection.putheader("Transfer-Encoding", "chunked")
        connection.endheaders()
        yield connection


def test_the_lines_of_a_batch_count_against_its_keys_allowance(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    lines, per_second = 700, 20.0
    with world_in(database, rate=per_second) as world:
        place = world.place()
        charged: Counter[object] = Counter()
        charge = Allowances.charge

        def counted(self: Allowances, caller: object, amount: float, now: float) -> None:
            if self.per_second == per_second:
                charged[caller] += round(amount * 1000)
            charge(self, caller, amount, now)

        monkeypatch.setattr(Allowances, "charge", counted)
        begun = time.monotonic()
        answer = sent(place, b"{}\n" * lines, "utility")
        took = time.monotonic() - begun
        assert [json.loads(line)["status"] for line in answer.text.splitlines()] == [400] * lines
        # Two seconds' worth is saved up, and the rest is earned first, however fast or slow the machine is.
        assert took >= (1 + lines / 10) / per_second - 2
        # One request and its lines, a tenth each, of the account that the key's other requests are counted in.
        [(account, spent)] = charged.items()
        assert spent == 1000 + lines * 100
        deadline = time.monotonic() + 10
        while place.get("/premises").status_code == 429:
            assert time.monotonic() < deadline
        assert charged == {account: spent + 1000}


def test_a_key_has_four_batches_open_and_others_have_theirs(place: Place) -> None:
    with ExitStack() as held:
        for _ in range(4):
            held.enter_context(open_batch(place, "testing_company"))
        answers = [sent(place, b"{}\n")]
        deadline = time.monotonic() + 5
        while answers[-1].status_code != 429 and time.monotonic() < deadline:
            # The heads of those four may still be on their way.
            answers.append(sent(place, b"{}\n"))
        assert answers[-1].status_code == 429
        assert answers[-1].headers["retry-after"] == "5"
        assert sent(place, b"{}\n", "utility").status_code == 200
    while sent(place, b"{}\n").status_code != 200:
        assert time.monotonic() < deadline + 5


async def test_spools_of_one_key_share_its_disk() -> None:
    disk = Shares(most=10_000_000, most_of_caller=600_000)
    first, second, other = Spool(disk, "a"), Spool(disk, "a"), Spool(disk, "b")
    for spool in (first, second, other):
        await spool.put(b"x" * IN_MEMORY)
    await first.put(b"y" * 400_000)
    await second.put(b"y" * 400_000)
    # 800 kB of one key are on disk: neither of its spools takes more, and another key's does.
    assert disk.full("a")
    assert not disk.full("b")
    await other.put(b"y" * 400_000)
    first.close()
    assert not disk.full("a")
    second.close()
    other.close()
    assert not disk.full("a")


def test_what_is_held_is_given_back_and_bounded_in_all() -> None:
    shares = Shares(most=3, most_of_caller=2)
    with shares.one("a", "batches"), shares.one("a", "batches"):
        with pytest.raises(ProblemError, match="2 open batches") as refused, shares.one("a", "batches"):
            pass
        assert status_of(refused.value) == 429
        with shares.one("b", "batches"):
            with pytest.raises(ProblemError, match="too many open batches") as refused, shares.one("c", "batches"):
                pass
            assert status_of(refused.value) == 503
    with shares.one("a", "batches"), shares.one("c", "batches"):
        pass


def test_who_waits_for_changes_shares_one_poller_and_waits_no_more_than_eight_times(
    place: Place, world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks = {"head": 0, "after": 0}
    head, after = ChangeStore.head, ChangeStore.after

    async def counted_head(self: ChangeStore, utility: str) -> int:
        looks["head"] += 1
        return await head(self, utility)

    async def counted_after(self: ChangeStore, utility: str, sequence: int, *, limit: int) -> Any:
        looks["after"] += 1
        return await after(self, utility, sequence, limit=limit)

    monkeypatch.setattr(ChangeStore, "head", counted_head)
    monkeypatch.setattr(ChangeStore, "after", counted_after)
    last = len(place.get("/changes").json()["items"])
    looks |= {"head": 0, "after": 0}

    def waits(key: str) -> httpx.Response:
        headers, parameters = bearer(place.keys[key]), {"after": last, "wait": 10}
        return httpx.get(f"{world.url}{place.base}/changes", params=parameters, headers=headers, timeout=30, trust_env=False)

    with ThreadPoolExecutor(20) as others:
        waiting = [others.submit(waits, key) for key in ["utility"] * 9 + ["regulator"] * 8]
        time.sleep(1.5)
        refused = [one.result() for one in waiting if one.done()]
        assert [one.status_code for one in refused] == [429]
        # Sixteen wait: each has looked once, and since then one looks for all.
        assert looks["after"] == 16
        assert 2 <= looks["head"] <= 10
        place.put(uuid4(), place.report()).raise_for_status()
        listed = [one.result() for one in waiting if one.result().status_code == 200]
    assert len(listed) == 16
    assert all(answer.json()["items"] for answer in listed)
