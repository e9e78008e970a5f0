"""Webhooks over real HTTP, to a real receiver on loopback: nothing is lost, order is kept, and each message proves who sent it.

Signatures are checked with the `standardwebhooks` library. Days of waiting pass on the clock that the tests set; only the looks for
what waits take real time.
"""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from email.utils import format_datetime
from itertools import pairwise
from typing import Any

import httpx
import pytest
from msgspec.structs import replace
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from standardwebhooks import Webhook, WebhookVerificationError

from service.clock import SystemClock
from service.secrets import Secret
from service.settings import WebhookPolicy
from tests.support.databases import Database, fresh_database
from tests.support.receiver import Receiver
from tests.support.serving import NOON, serving
from tests.support.world import Place, World, bearer, world_in

KEY = Secret(b"a master key of the tests, at least 32 bytes long")
QUICK = replace(WebhookPolicy(), look_seconds=0.02, lease_seconds=2, answer_seconds=1)


@pytest.fixture(scope="module")
def world(database: Database) -> Iterator[World]:
    """A world whose webhooks may go to loopback."""
    with world_in(database, webhook_key=KEY, webhooks_private=True, webhook_policy=QUICK) as made:
        yield made


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    made = Receiver()
    yield made
    made.close()


@contextmanager
def subscribed(place: Place, url: str, **more: Any) -> Iterator[dict[str, Any]]:
    """A subscription, deleted afterwards so that it takes no time of other tests."""
    made = place.made("webhooks", url=url, **more)
    yield made
    for one in place.world.operator.get(f"{place.base}/webhooks").json()["items"]:
        place.world.operator.delete(f"{place.base}/webhooks/{one['id']}", headers={"If-Match": f'"{one["version"]}"'})


def until(done: Any, seconds: float = 10) -> Any:
    """Wait until it is so."""
    deadline = time.monotonic() + seconds
    while not (found := done()):
        assert time.monotonic() < deadline, "It did not come about."
        time.sleep(0.01)
    return found


def read(place: Place, hook: dict[str, Any], path: str = "", **parameters: Any) -> dict[str, Any]:
    answer = place.get(f"/webhooks/{hook['id']}{path}", **parameters)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def patch(place: Place, hook: dict[str, Any], **changes: Any) -> dict[str, Any]:
    version = read(place, hook)["version"]
    answer = place.world.operator.patch(f"{place.base}/webhooks/{hook['id']}", json=changes, headers={"If-Match": f'"{version}"'})
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def post(place: Place, path: str, **document: Any) -> httpx.Response:
    return place.world.operator.post(f"{place.base}/webhooks/{path}", json=document)


def feed(place: Place, after: int = 0) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = []
    while page := place.get("/changes", after=items[-1]["sequence"] if items else after, limit=500).json()["items"]:
        items += page
    return items


def caught_up(place: Place, hook: dict[str, Any]) -> dict[str, Any]:
    """The progress once nothing waits."""
    return dict(until(lambda: (result := read(place, hook, "/progress"))["waiting"] == 0 and result))


def attempts(place: Place, hook: dict[str, Any]) -> int:
    """How many attempts the first message has had."""
    items = read(place, hook, "/deliveries")["items"]
    return items[0]["attempts"] if items else 0


def test_a_change_is_reported_signed_and_small(place: Place, receiver: Receiver) -> None:
    place.world.clock.moment = SystemClock().now()  # the library holds a signature's time against the real one
    with subscribed(place, receiver.url) as hook:
        before = len(feed(place))
        report = place.recorded()["report"]["id"]
        until(lambda: receiver.taken)
        headers, body = receiver.calls[0]
        result = Webhook(hook["secret"]).verify(body, headers)
        assert headers["content-type"] == "application/json"
        # Standard Webhooks 1.0.0, "Payload structure".
        assert set(result) == {"type", "timestamp", "data"}
        assert result["type"] == "changes.recorded"
        assert result["data"]["utility"] == place.code
        assert result["data"]["after_sequence"] == before
        assert result["data"]["changes"] == feed(place, before)
        assert {"resource": "reports", "id": report} in [
            {"resource": one["resource"], "id": one["id"]} for one in result["data"]["changes"]
        ]
        # What was tampered with, or signed with another secret, is refused by the same library.
        for secret, spoilt in ((hook["secret"], body + b" "), ("whsec_" + "A" * 44, body)):
            with pytest.raises(WebhookVerificationError):
                Webhook(secret).verify(spoilt, headers)


def test_a_long_backlog_comes_in_order_in_small_messages_that_follow_on_one_another(place: Place, receiver: Receiver) -> None:
    with subscribed(place, receiver.url, enabled=False) as hook:
        for number in range(130):
            place.made("premises", name=f"Plot {number}", address="2 Sluice Lane", connection="irrigation")
        assert post(place, f"{hook['id']}/replay", after=0).status_code == 202
        patch(place, hook, enabled=True)
        caught_up(place, hook)
        assert receiver.changes == feed(place)
        assert len(receiver.taken) == 2
        ends = [(one["data"]["after_sequence"], one["data"]["last_sequence"]) for one in receiver.taken]
        assert ends[0][0] == 0
        assert all(first[1] == second[0] for first, second in pairwise(ends))
        # "usually smaller than 20kb" (Payload size).
        assert max(len(body) for _, body in receiver.calls) < 20_000


def test_only_what_is_subscribed_is_reported_and_a_gap_still_shows(place: Place, receiver: Receiver) -> None:
    with subscribed(place, receiver.url, resources=["gauges", "testers"]) as hook:
        start = len(feed(place))
        place.recorded()
        caught_up(place, hook)
        assert receiver.calls == []
        gauge = place.made(
            "gauges", serial_number="G-2", units={"pressure": "psi"}, accuracy=0.2, resolution=0.1, calibrations=[]
        )["id"]
        caught_up(place, hook)
        assert [(one["resource"], one["id"]) for one in receiver.changes] == [("gauges", gauge)]
        # The message covers what was passed over, too.
        assert receiver.taken[0]["data"]["after_sequence"] == start
        assert receiver.taken[0]["data"]["last_sequence"] == len(feed(place))


def test_an_outage_of_days_loses_nothing_and_keeps_order(place: Place, receiver: Receiver) -> None:
    clock = place.world.clock
    with subscribed(place, receiver.url) as hook:
        start = len(feed(place))
        receiver.answers(500)
        place.recorded()
        waits, at = [], [clock.now()]
        # Standard Webhooks 1.0.0, the example retry schedule, each wait longer by a tenth at most.
        for number, wait in enumerate([5, 300, 1800, 7200, 18000, 36000, 50400, 72000], start=1):
            until(lambda number=number: attempts(place, hook) == number)
            place.recorded()
            [open_] = read(place, hook, "/deliveries", state="pending")["items"]
            due = SystemClock().now().fromisoformat(open_["next_attempt_at"])
            waits.append(((due - at[-1]).total_seconds(), wait))
            time.sleep(0.1)
            assert attempts(place, hook) == number
            clock.moment = due
            at.append(due)
        assert all(wait <= waited <= 1.1 * wait for waited, wait in waits), waits
        assert len({waited / wait for waited, wait in waits}) > 1
        until(lambda: attempts(place, hook) == 9)
        result = read(place, hook, f"/deliveries/{open_['id']}")
        assert [one["number"] for one in result["tried"]] == list(range(9, 0, -1))
        assert {(one["status"], one["because"]) for one in result["tried"]} == {(500, "The receiver answered 500.")}
        # Every attempt has the same id and the same body, and a time of its own.
        assert len({headers["webhook-id"] for headers, _ in receiver.calls}) == 1
        assert len({body for _, body in receiver.calls}) == 1
        assert [headers["webhook-timestamp"] for headers, _ in receiver.calls] == [str(int(one.timestamp())) for one in at]
        # Signed again each time, as the library signs at that time.
        for headers, body in receiver.calls:
            moment = SystemClock().now().fromtimestamp(int(headers["webhook-timestamp"]), tz=NOON.tzinfo)
            assert headers["webhook-signature"] == Webhook(hook["secret"]).sign(headers["webhook-id"], moment, body.decode())
        receiver.answers(200)
        clock.pass_by(days=2)
        caught_up(place, hook)
        assert receiver.changes == feed(place, start)


def test_a_receiver_away_for_longer_than_all_tries_is_disabled_and_loses_nothing(place: Place, receiver: Receiver) -> None:
    with subscribed(place, receiver.url) as hook:
        start = len(feed(place))
        receiver.answers(503)
        place.recorded()
        for number in range(1, len(QUICK.waits) + 1):
            until(lambda number=number: attempts(place, hook) == number)
            place.world.clock.pass_by(days=2)
        result = until(lambda: not (one := read(place, hook))["enabled"] and one)
        assert "503" in result["disabled_because"]
        [dead] = read(place, hook, "/deliveries", state="dead")["items"]
        assert (dead["attempts"], dead["because"]) == (13, "The receiver answered 503.")
        assert read(place, hook, "/progress")["dead"] == 1
        place.recorded()
        receiver.answers(200)
        place.world.clock.pass_by(days=30)
        time.sleep(0.1)
        assert receiver.taken == []
        enabled = patch(place, hook, enabled=True)
        assert enabled["disabled_because"] is None
        caught_up(place, hook)
        assert receiver.changes == feed(place, start)
        assert read(place, hook, "/deliveries", state="dead")["items"] == []


def test_a_message_that_is_refused_to_the_end_is_set_aside_and_can_be_sent_again(place: Place, receiver: Receiver) -> None:
    with subscribed(place, receiver.url) as hook:
        receiver.answers(422)
        place.recorded()
        for number in range(1, len(QUICK.waits) + 1):
            until(lambda number=number: attempts(place, hook) == number)
            place.world.clock.pass_by(days=2)
        [dead] = until(lambda: read(place, hook, "/deliveries", state="dead")["items"])
        assert dead["because"] == "The receiver answered 422."
        receiver.answers(200)
        place.recorded()
        until(lambda: receiver.taken)
        assert read(place, hook)["enabled"]
        assert receiver.taken[0]["data"]["after_sequence"] == dead["last_sequence"]
        sent = post(place, f"{hook['id']}/deliveries/{dead['id']}/replay")
        assert sent.status_code == 202
        until(lambda: len(receiver.taken) == 2)
        assert receiver.calls[-1][0]["webhook-id"] == dead["id"]
        assert receiver.taken[1]["data"]["after_sequence"] == dead["after_sequence"]
        until(lambda: read(place, hook, f"/deliveries/{dead['id']}")["state"] == "delivered")


def test_410_ends_a_subscription(place: Place, receiver: Receiver) -> None:
    with subscribed(place, receiver.url) as hook:
        receiver.answers(410)
        place.recorded()
        result = until(lambda: not (one := read(place, hook))["enabled"] and one)
        assert "410" in result["disabled_because"]
        place.recorded()
        place.world.clock.pass_by(days=9)
        time.sleep(0.1)
        assert len(receiver.calls) == 1


@pytest.mark.parametrize("form", ["seconds", "date"])
def test_retry_after_is_honoured(place: Place, receiver: Receiver, form: str) -> None:
    clock = place.world.clock
    asked = "7200" if form == "seconds" else format_datetime(clock.now() + (NOON.resolution * 7_200_000_000), usegmt=True)
    with subscribed(place, receiver.url) as hook:
        receiver.answers(429, **{"retry-after": asked})
        place.recorded()
        until(lambda: attempts(place, hook) == 1)
        for minutes in (1, 60, 58):
            clock.pass_by(minutes=minutes)
            time.sleep(0.06)
            assert len(receiver.calls) == 1
        receiver.answers(200)
        clock.pass_by(minutes=1)
        caught_up(place, hook)


@pytest.mark.slow
def test_a_slow_receiver_and_a_redirecting_one_have_not_taken_a_message(place: Place, receiver: Receiver) -> None:
    other = Receiver()
    with subscribed(place, receiver.url) as hook:
        receiver.answers(307, location=other.url)
        place.recorded()
        until(lambda: attempts(place, hook) == 1)
        receiver.delay = 1.5
        place.world.clock.pass_by(minutes=1)
        until(lambda: attempts(place, hook) == 2)
        receiver.delay = 0
        [message] = read(place, hook, "/deliveries")["items"]
        tried = read(place, hook, f"/deliveries/{message['id']}")["tried"]
        assert [(one["status"], one["because"]) for one in tried] == [
            (None, "No answer within 1 s."),
            (307, "The receiver answered 307."),
        ]
        assert tried[0]["seconds"] >= 1
    assert other.calls == []
    other.close()


def test_a_receiver_that_is_not_there_is_reported_as_such(place: Place, receiver: Receiver) -> None:
    receiver.close()
    with subscribed(place, receiver.url) as hook:
        place.recorded()
        until(lambda: attempts(place, hook) == 1)
        [message] = read(place, hook, "/deliveries", state="pending")["items"]
        assert (message["because"], message["state"]) == ("All connection attempts failed", "pending")


def test_replay_from_a_number_sends_everything_after_it_again(place: Place, receiver: Receiver) -> None:
    place.recorded()
    with subscribed(place, receiver.url) as hook:
        place.recorded()
        caught_up(place, hook)
        first = list(receiver.changes)
        assert first[0]["sequence"] > 1
        assert post(place, f"{hook['id']}/replay", after=2).status_code == 202
        until(lambda: receiver.changes[len(first) :] == feed(place, 2))
        # New messages, so that a receiver that drops repeats takes them.
        assert len({headers["webhook-id"] for headers, _ in receiver.calls}) == len(receiver.calls)
        refused = post(place, f"{hook['id']}/replay", after=10_000)
        assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/after")


def test_replay_can_go_past_a_message_that_is_stuck(place: Place, receiver: Receiver) -> None:
    with subscribed(place, receiver.url) as hook:
        receiver.answers(500)
        place.recorded()
        until(lambda: attempts(place, hook) == 1)
        post(place, f"{hook['id']}/replay", after=len(feed(place)))
        [stuck] = read(place, hook, "/deliveries", state="replaced")["items"]
        receiver.answers(200)
        place.recorded()
        caught_up(place, hook)
        assert receiver.taken[0]["data"]["after_sequence"] == stuck["last_sequence"]


def test_a_secret_is_rotated_with_an_overlap_of_two_signatures(place: Place, receiver: Receiver) -> None:
    clock = place.world.clock
    clock.moment = SystemClock().now()
    with subscribed(place, receiver.url) as hook:
        old = hook["secret"]
        path = f"{place.base}/webhooks/{hook['id']}/secret"
        unmatched = place.world.operator.post(path, json={})
        assert unmatched.status_code == 428
        answer = place.world.operator.post(path, json={"overlap_hours": 24}, headers={"If-Match": '"1"'})
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["etag"] == '"2"'
        new = answer.json()["secret"]
        assert new != old
        assert place.world.operator.post(path, json={}, headers={"If-Match": '"1"'}).status_code == 412
        place.recorded()
        until(lambda: len(receiver.taken) == 1)
        for secret in (old, new):
            Webhook(secret).verify(receiver.calls[0][1], receiver.calls[0][0])
        assert len(receiver.calls[0][0]["webhook-signature"].split(" ")) == 2
        clock.pass_by(hours=24)
        place.recorded()
        until(lambda: len(receiver.taken) == 2)
        headers, body = receiver.calls[1]
        assert headers["webhook-signature"] == Webhook(new).sign(headers["webhook-id"], clock.now(), body.decode())


def test_the_secret_is_kept_nowhere_and_shown_once(place: Place, receiver: Receiver) -> None:
    with subscribed(place, receiver.url) as hook:
        assert "secret" not in read(place, hook)
        secret = hook["secret"].removeprefix("whsec_")
        for table in ("webhook", "webhook_progress", "webhook_delivery", "webhook_attempt"):
            rows = place.world.database.owner(f"SELECT * FROM record.{table}")  # noqa: S608 - our own tables
            assert secret not in repr([dict(row) for row in rows])
    again = place.made("webhooks", url=receiver.url)
    assert again["secret"] != hook["secret"]


def test_what_is_sent_is_counted_and_its_age_reported(place: Place, receiver: Receiver) -> None:
    def counted() -> dict[tuple[str, str], float]:
        text = place.world.client.get("/metrics").text
        return {
            (sample.name, sample.labels.get("outcome", "")): sample.value
            for family in text_string_to_metric_families(text)
            for sample in family.samples
        }

    before = counted()
    with subscribed(place, receiver.url) as hook:
        receiver.answers(500)
        place.recorded()
        until(lambda: attempts(place, hook) == 1)
        until(lambda: counted()["nonreturn_webhook_oldest_seconds", ""] > 0.1)
        receiver.answers(200)
        place.world.clock.pass_by(minutes=1)
        caught_up(place, hook)
        until(lambda: counted()["nonreturn_webhook_oldest_seconds", ""] == 0)
        after = counted()
        for outcome in ("failed", "delivered"):
            name = ("nonreturn_webhook_messages_total", outcome)
            assert after[name] - before.get(name, 0) == 1


@pytest.mark.slow
def test_two_processes_never_send_the_same_and_one_takes_over_from_the_other(world: World, receiver: Receiver) -> None:
    place = world.place()
    settings = {"webhook_key": KEY, "webhooks_private": True, "webhook_policy": QUICK}
    with subscribed(place, receiver.url) as hook:
        start = len(feed(place))
        with serving(world.database, world.clock, **settings), serving(world.database, world.clock, **settings):
            for number in range(40):
                receiver.delay = 0.01 * (number % 3)
                place.made("premises", name=f"Plot {number}", address="3 Sluice Lane", connection="irrigation")
            caught_up(place, hook)
        assert receiver.changes == feed(place, start)
        # A process that died has left its lease: it ends by itself.
        world.database.owner(
            "UPDATE record.webhook_progress SET lease = gen_random_uuid(), leased_until = clock_timestamp() + interval '1 second' "
            "WHERE utility_id = $1",
            place.code,
        )
        taken = len(receiver.taken)
        place.recorded()
        time.sleep(0.3)
        assert len(receiver.taken) == taken
        caught_up(place, hook)
        assert receiver.changes == feed(place, start)


@pytest.mark.slow
@pytest.mark.parametrize("close_seconds", [0.1, 3])
def test_a_restart_goes_on_where_it_stopped(postgres: Any, template: str, receiver: Receiver, close_seconds: float) -> None:
    policy = replace(QUICK, close_seconds=close_seconds, answer_seconds=5, lease_seconds=10)
    settings = {"webhook_key": KEY, "webhooks_private": True, "webhook_policy": policy}
    with fresh_database(postgres, template) as database:
        with world_in(database, **settings) as first:
            place = first.place()
            hook = place.made("webhooks", url=receiver.url)
            start = len(feed(place))
            receiver.delay = receiver_thinks = 2
            place.recorded()
            until(lambda: receiver.at_once)
            # Stopped while the receiver thinks.
        receiver.delay = 0
        with serving(database, first.clock, **settings) as url:
            client = httpx.Client(base_url=url, headers=bearer(place.keys["utility"]), trust_env=False)
            path = f"{place.base}/webhooks/{hook['id']}/progress"
            until(lambda: client.get(path).json()["waiting"] == 0)
            expected = client.get(f"{place.base}/changes", params={"after": start}).json()["items"]
            client.close()
        until(lambda: not receiver.at_once)
        # Sent twice perhaps, but under one id, so that a receiver can drop the repeat.
        assert receiver.once == expected
        repeated = len(receiver.calls) - len({headers["webhook-id"] for headers, _ in receiver.calls})
        # Given the time, what was being sent is answered first.
        assert repeated == (1 if close_seconds < receiver_thinks else 0)


@pytest.mark.slow
def test_under_another_master_key_nothing_is_sent_that_nobody_can_check(postgres: Any, template: str, receiver: Receiver) -> None:
    settings = {"webhooks_private": True, "webhook_policy": QUICK}
    with fresh_database(postgres, template) as database:
        with world_in(database, webhook_key=KEY, deliver=False, **settings) as first:
            place = first.place()
            hook = place.made("webhooks", url=receiver.url)
            place.recorded()
            assert receiver.calls == []
        with serving(database, first.clock, webhook_key=Secret(b"?" * 32), **settings) as url:
            client = httpx.Client(base_url=url, headers=bearer(place.keys["utility"]), trust_env=False)
            path = f"{place.base}/webhooks/{hook['id']}"
            items = until(lambda: (found := client.get(f"{path}/deliveries").json()["items"]) and found[0]["attempts"] and found)
            assert "another master key" in items[0]["because"]
            assert receiver.calls == []
            rotated = client.post(f"{path}/secret", json={}, headers={"If-Match": '"1"'}).json()
            assert rotated["previous_secret_until"] is None
            first.clock.pass_by(minutes=1)
            until(lambda: receiver.taken)
            headers, body = receiver.calls[0]
            signature = Webhook(rotated["secret"]).sign(headers["webhook-id"], first.clock.now(), body.decode())
            assert headers["webhook-signature"] == signature
            client.close()


def test_delivered_messages_are_forgotten_in_time_and_others_are_not(place: Place, receiver: Receiver) -> None:
    with subscribed(place, receiver.url) as hook:
        place.recorded()
        caught_up(place, hook)
        place.world.clock.pass_by(days=29)
        receiver.answers(410)
        place.recorded()
        until(lambda: read(place, hook, "/deliveries", state="dead")["items"])
        assert len(read(place, hook, "/deliveries")["items"]) == 2
        place.world.clock.pass_by(days=32)
        until(lambda: [one["state"] for one in read(place, hook, "/deliveries")["items"]] == ["dead"])
