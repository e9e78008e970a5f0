"""Two portals that mirror the utility: one asks the change feed, the other gets webhooks and is sometimes down."""

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import httpx
from standardwebhooks import Webhook

from tests.support.world import Place, bearer


class FeedPortal:
    """Follows the feed and reads what it names; keeps the newest of each thing."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self.client = httpx.Client(base_url=place.world.url, headers=bearer(place.keys["regulator"]), timeout=30, trust_env=False)
        self.next = f"{place.base}/changes?after=0&limit=500"
        self.seen: list[tuple[int, str, str, int]] = []
        self.standings: dict[str, dict[str, Any]] = {}
        self.notices: dict[str, dict[str, Any]] = {}
        self.reports: set[str] = set()

    def catch_up(self) -> None:
        """Read all there is."""
        stale: dict[str, set[str]] = {"standings": set(), "notices": set()}
        while True:
            result = self._get(self.next)
            for one in result["items"]:
                self.seen.append((one["sequence"], one["resource"], one["id"], one["version"]))
                if one["resource"] in stale:
                    stale[one["resource"]].add(one["id"])
                elif one["resource"] == "reports":
                    self.reports.add(one["id"])
            self.next = result["next"]
            if not result["items"]:
                break
        for assembly in stale["standings"]:
            self.standings[assembly] = self._get(f"{self.place.base}/assemblies/{assembly}/standing")
        for notice in stale["notices"]:
            self.notices[notice] = self._get(f"{self.place.base}/notices/{notice}")

    def _get(self, path: str) -> dict[str, Any]:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return dict(answer.json())


class WebhookPortal:
    """Takes what it is sent, once it has proved who sent it; while it is down it answers 503."""

    def __init__(self) -> None:
        self.down = False
        self.refused = 0
        self.secret = ""
        self.messages: dict[str, dict[str, Any]] = {}
        portal = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                status = portal.take({name.lower(): value for name, value in self.headers.items()}, body)
                self.send_response(status)
                self.send_header("content-length", "0")
                self.end_headers()

            def log_message(self, *_arguments: Any) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}/stated"
        threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()

    def take(self, headers: dict[str, str], body: bytes) -> int:
        """The status to answer with."""
        if self.down:
            self.refused += 1
            return 503
        # The library holds the time of sending against the machine's clock, where ours is simulated; the signature is what counts here.
        expected = Webhook(self.secret).sign(headers["webhook-id"], _moment(headers["webhook-timestamp"]), body.decode())
        if expected not in headers["webhook-signature"].split():
            return 401
        self.messages.setdefault(headers["webhook-id"], json.loads(body))
        return 204

    @property
    def seen(self) -> list[tuple[int, str, str, int]]:
        """Every change reported, by its number, each message counted once."""
        listed = [one for message in self.messages.values() for one in message["data"]["changes"]]
        return sorted((one["sequence"], one["resource"], one["id"], one["version"]) for one in listed)

    def close(self) -> None:
        """End."""
        self._server.shutdown()
        self._server.server_close()


def _moment(seconds: str) -> Any:
    import datetime as dt  # noqa: PLC0415 - here alone

    return dt.datetime.fromtimestamp(int(seconds), tz=dt.UTC)
