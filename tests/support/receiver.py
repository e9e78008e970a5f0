"""A receiver of webhooks on loopback, over real HTTP."""

import json
import threading
import time
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class Receiver:
    """Keeps what it takes, and answers as it is set to."""

    def __init__(self) -> None:
        self.calls: list[tuple[dict[str, str], bytes]] = []
        self.taken: list[dict[str, Any]] = []
        self.answer: Callable[[], tuple[int, dict[str, str]]] = lambda: (204, {})
        self.delay = 0.0
        self.most_at_once = 0
        self.at_once = 0
        self._counting = threading.Lock()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                with receiver._counting:
                    receiver.at_once += 1
                    receiver.most_at_once = max(receiver.most_at_once, receiver.at_once)
                time.sleep(receiver.delay)
                status, headers = receiver.answer()
                receiver.calls.append(({name.lower(): value for name, value in self.headers.items()}, body))
                if status < 300:
                    receiver.taken.append(json.loads(body))
                with receiver._counting:
                    receiver.at_once -= 1
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                self.send_header("content-length", "0")
                self.end_headers()

            def log_message(self, *_arguments: Any) -> None:
                pass

        class Server(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, *_arguments: Any) -> None:
                """A sender that was killed leaves a broken connection, which is no news."""

        self.server = Server(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}/changes?of=ours"
        threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True).start()

    @property
    def changes(self) -> list[dict[str, Any]]:
        """Every change taken, in the order of its coming."""
        return [change for message in self.taken for change in message["data"]["changes"]]

    @property
    def once(self) -> list[dict[str, Any]]:
        """Every change taken, where a message that came again is dropped by its id, as a receiver should."""
        seen: dict[str, Any] = {}
        for headers, body in self.calls:
            data = json.loads(body)["data"]["changes"]
            assert seen.setdefault(headers["webhook-id"], data) == data
        return [change for changes in seen.values() for change in changes]

    def answers(self, status: int, **headers: str) -> None:
        """Answer so from now on."""
        self.answer = lambda: (status, headers)

    def close(self) -> None:
        """Be gone."""
        self.server.shutdown()
        self.server.server_close()
