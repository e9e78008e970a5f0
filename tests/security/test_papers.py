"""A printed report takes long to set, and who holds its mark needs no key: papers wait for one another, not the service for them."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest

from service.receipts import pdf as paper
from tests.support.world import Place, World


def test_papers_are_set_one_at_a_time_and_what_is_too_much_is_refused_at_once(
    signed_world: World, signed_place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    report = signed_place.recorded()["report"]["id"]
    page = signed_world.client.post(
        "/receipts", data={"receipt": signed_place.get(f"/reports/{report}/receipt").json()["receipt"]}
    )
    mark = page.text.partition(f"/receipts/{signed_place.code}/")[2][:59]
    at_once, most, guard = 0, 0, threading.Lock()

    def slowly(*_: object) -> bytes:
        nonlocal at_once, most
        with guard:
            at_once += 1
            most = max(most, at_once)
        time.sleep(0.3)
        with guard:
            at_once -= 1
        return b"%PDF-"

    monkeypatch.setattr(paper, "paper", slowly)

    def asked(_: int) -> httpx.Response:
        return httpx.get(f"{signed_world.url}/receipts/{signed_place.code}/{mark}/report.pdf", timeout=30, trust_env=False)

    with ThreadPoolExecutor(16) as callers:
        answers = list(callers.map(asked, range(16)))
    assert most == 1
    result = sorted(one.status_code for one in answers)
    assert result[0] == 200
    assert result[-1] == 503
    assert {one.headers["retry-after"] for one in answers if one.status_code == 503} == {"1"}
