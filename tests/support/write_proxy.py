"""A proxy on loopback in front of a FHIR server that counts the writes and can do something after each. Does I/O.

What is done after the n-th write happens when the server has stored it and before the client has its answer, which is
the worst moment for a client to end.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Lock, Thread

import httpx

_PASSED_ON = ("content-type", "accept", "if-none-exist", "if-match", "prefer")
_BACK = ("content-type", "etag", "last-modified", "date")


class WriteProxy:
    """The running proxy: its address, and how many writes the server has stored through it."""

    def __init__(self, server: str) -> None:
        self._origin, _, self._path = server.partition("://")[2].partition("/")
        self.writes = 0
        self.after_write: Callable[[int], None] = lambda count: None
        self.refuse_writes = False
        self.offers_bundles = True
        self._one_at_a_time = Lock()
        self._client = httpx.Client(trust_env=False, timeout=30)
        self._http = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        self._own = f"127.0.0.1:{self._http.server_address[1]}"
        self.url = f"http://{self._own}/{self._path}"

    def serve(self) -> None:
        self._http.serve_forever(poll_interval=0.05)

    def close(self) -> None:
        self._http.shutdown()
        self._http.server_close()
        self._client.close()

    def _answer(self, method: str, path: str, headers: dict[str, str], body: bytes) -> httpx.Response:
        is_write = method in ("POST", "PUT") and not path.endswith("_search")
        if is_write and self.refuse_writes:
            return httpx.Response(422, json={"resourceType": "OperationOutcome"})
        with self._one_at_a_time:
            answer = self._client.request(method, f"http://{self._origin}{path}", headers=headers, content=body)
            if is_write:
                self.writes += 1
                self.after_write(self.writes)
        if path.endswith("/metadata") and not self.offers_bundles:
            statement = answer.json()
            for rest in statement["rest"]:
                rest.pop("interaction", None)
            return httpx.Response(answer.status_code, json=statement, headers={"content-type": "application/fhir+json"})
        return answer

    def _here(self, text: bytes) -> bytes:
        return text.replace(self._origin.encode(), self._own.encode())

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        proxy = self

        class Handler(BaseHTTPRequestHandler):
            def _pass_on(self) -> None:
                body = self.rfile.read(int(self.headers.get("content-length", 0)))
                kept = {name: self.headers[name] for name in _PASSED_ON if name in self.headers}
                answer = proxy._answer(self.command, self.path, kept, body)
                content = proxy._here(answer.content)
                try:
                    self.send_response(answer.status_code)
                    for name in (name for name in _BACK if name in answer.headers):
                        self.send_header(name, answer.headers[name])
                    if "location" in answer.headers:
                        self.send_header("location", proxy._here(answer.headers["location"].encode()).decode())
                    self.send_header("content-length", str(len(content)))
                    self.end_headers()
                    self.wfile.write(content)
                except OSError:  # nobody is there any more
                    self.close_connection = True

            do_GET = do_POST = do_PUT = _pass_on

            def log_message(self, *told: object) -> None:
                """Write nothing beside the tests' own output."""

        return Handler


@contextmanager
def write_proxy(server: str) -> Iterator[WriteProxy]:
    proxy = WriteProxy(server)
    thread = Thread(target=proxy.serve)
    thread.start()
    try:
        yield proxy
    finally:
        proxy.close()
        thread.join()
