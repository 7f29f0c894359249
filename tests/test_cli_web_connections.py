"""Connections that ask for nothing: closed in time, and no reason to turn anybody else away."""

import socket
import threading
import time
from contextlib import ExitStack, contextmanager

import pytest
import uvicorn
from plugface.cli.web.connections import make_protocol
from plugface.cli.web.limits import Limits


async def hello(scope, receive, send):
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"5")]})
    await send({"type": "http.response.body", "body": b"hello"})


@contextmanager
def served(**limits):
    """A server on this machine with these limits; gives a function that opens a connection."""
    listener = socket.create_server(("127.0.0.1", 0))
    behind_proxy = limits.pop("behind_proxy", False)
    config = uvicorn.Config(
        hello,
        http=make_protocol(Limits(**limits), behind_proxy=behind_proxy),
        lifespan="off",
        log_level="error",
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    with ExitStack() as opened:

        def connect(said: bytes = b"") -> socket.socket:
            line = opened.enter_context(socket.create_connection(listener.getsockname(), timeout=5))
            line.sendall(said)
            return line

        yield connect
    server.should_exit = True
    thread.join(10)
    listener.close()


ASK = b"GET / HTTP/1.1\r\nhost: x\r\n\r\n"
HALF = b"GET / HTTP/1.1\r\nhost:"


def ask(line: socket.socket) -> bytes:
    line.sendall(ASK)
    return line.recv(1000)


def is_closed(line: socket.socket) -> bool:
    try:
        return line.recv(1000) == b""
    except ConnectionError:
        return True


@pytest.mark.parametrize("said", [b"", HALF])
def test_idle_connections_do_not_close_the_page(said):
    with served(connections=8, connections_per_address=100, header_s=30.0) as connect:
        idle = [connect(said) for _ in range(8)]
        time.sleep(0.2)
        assert ask(connect()).startswith(b"HTTP/1.1 200")
        assert is_closed(idle[0])  # the longest idle made room


@pytest.mark.parametrize("said", [b"", HALF])
def test_whoever_asks_for_nothing_is_let_go(said):
    with served(header_s=0.3) as connect:
        line = connect(said)
        kept = connect(ASK)
        assert is_closed(line)
        assert kept.recv(1000).startswith(b"HTTP/1.1 200")


def test_an_address_has_so_many_connections():
    with served(connections_per_address=3) as connect:
        lines = [connect() for _ in range(3)]
        time.sleep(0.2)
        assert is_closed(connect())
        assert ask(lines[0]).startswith(b"HTTP/1.1 200")
        lines[1].close()
        time.sleep(0.2)
        assert ask(connect()).startswith(b"HTTP/1.1 200")
    with served(connections_per_address=3, behind_proxy=True) as connect:
        assert all(ask(connect()).startswith(b"HTTP/1.1 200") for _ in range(5))
