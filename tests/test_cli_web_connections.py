"""Connections that ask for nothing: closed in time, and no reason to turn anybody else away."""

import socket
import threading
import time
from contextlib import ExitStack, contextmanager, suppress

import pytest
import uvicorn
from plugface.cli.web.connections import make_protocol
from plugface.cli.web.limits import Limits


async def hello(scope, receive, send):
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"5")]})
    await send({"type": "http.response.body", "body": b"hello"})


LONG = bytes(30_000_000)  # more than lies in a system's buffers


async def tell_much(scope, receive, send):
    await send(
        {"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"%d" % len(LONG))]}
    )
    for at in range(0, len(LONG), 100_000):
        await send({"type": "http.response.body", "body": LONG[at : at + 100_000], "more_body": True})
    await send({"type": "http.response.body"})


@contextmanager
def served(app=hello, **limits):
    """A server on this machine with these limits; gives a function that opens a connection."""
    listener = socket.create_server(("127.0.0.1", 0))
    behind_proxy = limits.pop("behind_proxy", False)
    asked = []

    async def noted(scope, receive, send):
        asked.append(scope["path"])
        await app(scope, receive, send)

    config = uvicorn.Config(
        noted,
        http=make_protocol(Limits(**limits), behind_proxy=behind_proxy),
        lifespan="off",
        log_level="error",
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    with ExitStack() as opened:

        def connect(said: bytes = b"") -> socket.socket:
            line = opened.enter_context(socket.create_connection(listener.getsockname(), timeout=60))
            line.sendall(said)
            return line

        connect.held, connect.asked = server.server_state.connections, asked
        yield connect
    server.should_exit = True
    thread.join(60)
    listener.close()


ASK = b"GET / HTTP/1.1\r\nhost: x\r\n\r\n"
ASK_ONCE = ASK.replace(b"\r\n\r\n", b"\r\nconnection: close\r\n\r\n")
HALF = b"GET / HTTP/1.1\r\nhost:"


def wait_for(connect, n_open: int, n_asked: int = 0) -> None:
    """Wait until the server holds so many connections, and was asked so much: the line does not tell it."""
    until = time.monotonic() + 60
    while (len(connect.held), len(connect.asked)) != (n_open, n_asked):
        assert time.monotonic() < until, (len(connect.held), len(connect.asked))
        time.sleep(0.01)


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
        wait_for(connect, 8)
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
        wait_for(connect, 3)
        assert is_closed(connect())
        assert ask(lines[0]).startswith(b"HTTP/1.1 200")
        lines[1].close()
        wait_for(connect, 2, n_asked=1)
        assert ask(connect()).startswith(b"HTTP/1.1 200")
    with served(connections_per_address=3, behind_proxy=True) as connect:
        assert all(ask(connect()).startswith(b"HTTP/1.1 200") for _ in range(5))


def read_all(line: socket.socket) -> int:
    count = 0
    with suppress(ConnectionError):
        while got := line.recv(1_000_000):
            count += len(got)
    return count


def test_whoever_does_not_read_an_answer_is_let_go():
    with served(tell_much, silence_s=60.0) as connect:
        assert read_all(connect(ASK_ONCE)) > len(LONG)  # it and its header
    with served(tell_much, silence_s=0.2) as connect:
        line = connect(ASK_ONCE)
        wait_for(connect, 0, n_asked=1)
        assert read_all(line) < len(LONG)


TOKEN = b"POST /api/v1/tokens HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-type: application/json\r\n"


def test_a_message_that_is_not_whole_in_time_is_refused(make_yard):
    with served(make_yard(limits={"silence_s": 1.0}).app, header_s=0.5) as connect:
        line = connect(TOKEN + b'content-length: 16\r\n\r\n{"code"')
        assert line.recv(1000).startswith(b"HTTP/1.1 408")
        assert read_all(line) < 2000  # and it is closed


def test_a_message_that_comes_in_parts_is_taken(make_yard):
    with served(make_yard().app) as connect:
        line = connect(TOKEN + b'content-length: 16\r\n\r\n{"code"')
        wait_for(connect, 1, n_asked=1)
        line.sendall(b': "abcd"}')
        assert line.recv(1000).startswith(b"HTTP/1.1 403")


def test_a_length_that_is_stated_in_two_ways_is_refused(make_yard):
    """What lies in memory is shared out by what is stated, and the body would be the other one."""
    with served(make_yard().app) as connect:
        chunked = b"content-length: 1\r\ntransfer-encoding: chunked\r\n\r\n"
        line = connect(TOKEN + chunked + b'10\r\n{"code": "abcd"}\r\n0\r\n\r\n')
        assert line.recv(1000).startswith(b"HTTP/1.1 422")
