"""The engine's end over real sockets: who is let in, who is let go, and what it costs the rest."""

from __future__ import annotations

import os
import socket
import struct
import threading
import tracemalloc
from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from companion.link import server as server_module
from companion.link.messages import (
    MAX_CLIENT_LINE,
    LinkError,
    encode_hello,
    encode_wish,
)
from companion.link.server import MAX_CONNECTIONS, MAX_STRANGERS, Server
from companion.wishes import WISHES, Ask, Wish
from tests.link.link_peers import TOKEN, Engine, Peer, eventually, steady, tidewater

Join = Callable[..., Peer]
# Fills what the kernel holds within a few snapshots.
LONG = "the tide is out " * 5000


def test_a_screen_that_says_hello_gets_a_fresh_snapshot_and_then_one_for_each_change(
    engine: Engine, join: Join
) -> None:
    engine.tick = 96
    screen = join(engine)
    assert screen.hear().tick == 96
    for tick in (97, 98, 99):
        engine.at(tick)
        assert screen.hear_tick(tick).tick == tick


def test_nothing_is_built_while_nobody_listens(engine: Engine, join: Join) -> None:
    for tick in range(1000):
        engine.at(tick)
    stranger = join(engine, hello=None)
    assert engine.built == 0
    join(engine).hear()
    assert engine.built > 0
    stranger.leave()


def test_it_stays_in_touch_when_nothing_happens(
    engine: Engine, join: Join, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server_module, "KEEP_ALIVE_S", 0.02)
    screen = join(engine)
    times = [screen.hear().at_ns for _ in range(5)]
    assert times == sorted(set(times))


def test_pokes_between_two_snapshots_count_as_one(engine: Engine, join: Join) -> None:
    screen = join(engine)
    screen.hear()
    for tick in range(1, 10_001):
        engine.at(tick)
    assert screen.hear_tick(10_000).tick == 10_000
    assert engine.built < 1000


def test_no_change_is_missed_however_it_falls(
    engine: Engine, join: Join, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Each poke comes while the server is about to fall asleep, and nothing else would wake it.
    monkeypatch.setattr(server_module, "KEEP_ALIVE_S", 600.0)
    monkeypatch.setattr(server_module, "SNAPSHOT_S", 0.0)
    screen = join(engine)
    for tick in range(1, 2001):
        engine.at(tick)
        screen.hear_tick(tick)


def test_snapshots_keep_their_distance(
    engine: Engine, join: Join, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server_module, "SNAPSHOT_S", 0.2)
    screen = join(engine)
    screen.hear()
    times = []
    for tick in (1, 2, 3):
        engine.at(tick)
        times.append(screen.hear_tick(tick).at_ns)
    # Half of it leaves room for the moment between deciding to build and building.
    assert min(b - a for a, b in pairwise(times)) > 0.1e9


def test_a_snapshot_is_built_once_for_all(engine: Engine, join: Join) -> None:
    screens = [join(engine) for _ in range(8)]
    for screen in screens:
        screen.hear()
    engine.at(96)
    heard = [screen.hear_tick(96).at_ns for screen in screens]
    assert len(set(heard)) == 1


@pytest.mark.parametrize(
    "hello",
    [
        encode_hello("high-tide"),
        encode_hello(""),
        encode_hello(TOKEN + "x"),
        encode_hello("\u00e9\ud800\u6f6e"),
        encode_hello(TOKEN).replace(b'"version":2', b'"version":1'),
        b'{"hello":"companion","version":2}\n',
        b'{"hello":"companion","version":2,"token":null}\n',
        encode_wish(Wish.of("next")),
        encode_wish(Wish.of("stop")) + encode_hello(TOKEN),
        b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"\n" + encode_hello(TOKEN),
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\n",
        b" " * MAX_CLIENT_LINE + encode_hello(TOKEN),
        b"x" * (MAX_CLIENT_LINE + 1),
    ],
)
def test_whoever_does_not_say_the_right_hello_hears_nothing(
    engine: Engine, join: Join, hello: bytes
) -> None:
    assert join(engine, hello).hear_out() == b""
    assert engine.wishes == []
    assert engine.built == 0


def test_whoever_says_nothing_or_dawdles_is_let_go(
    engine: Engine, join: Join, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server_module, "HELLO_S", 0.1)
    silent, slow = join(engine, hello=None), join(engine, hello=b'{"hello"')
    assert silent.hear_out() == b""
    assert slow.hear_out() == b""
    assert engine.built == 0


def test_a_hello_may_come_in_pieces_and_a_wish_on_its_heels(engine: Engine, join: Join) -> None:
    screen = join(engine, hello=None)
    for byte in encode_hello(TOKEN) + encode_wish(Wish.of("next phrase")):
        screen.say(bytes([byte]))
    screen.hear()
    eventually(lambda: engine.wishes == [Wish.of("next phrase")])


@steady
@given(st.binary(max_size=300))
@example(b"\n\n\n")
@example(b"\x00" * 5000)
def test_garbage_from_a_stranger_is_answered_by_nothing(engine: Engine, line: bytes) -> None:
    stranger = Peer(engine, hello=line)
    stranger.socket.shutdown(socket.SHUT_WR)
    assert stranger.hear_out() == b""
    stranger.leave()
    assert engine.built == 0


@steady
@given(st.binary(min_size=1, max_size=300))
@example(b'{"wish":7}')
@example(b"[" * 4000)
@example(b"9" * (MAX_CLIENT_LINE + 1))
def test_garbage_from_a_screen_costs_its_own_connection_only(engine: Engine, line: bytes) -> None:
    bystander, screen = Peer(engine), Peer(engine)
    screen.say(line + b"\n")
    screen.hear_out()
    screen.leave()
    engine.at(engine.tick + 1)
    bystander.hear_tick(engine.tick)
    bystander.leave()
    assert engine.wishes == []


def test_a_wish_with_a_new_word_is_told_and_its_screen_goes_on(engine: Engine, join: Join) -> None:
    screen = join(engine)
    screen.say(b'{"wish":"align galaxy","program":"9.7"}\n' + encode_wish(Wish.of("align")))
    eventually(lambda: engine.wishes == [Wish.of("align")])
    (why,) = engine.refused
    assert why.startswith("refused: 'align galaxy' is no wish")
    assert why.endswith("version 9.7")


def test_a_line_without_end_costs_its_own_connection(engine: Engine, join: Join) -> None:
    screen = join(engine)
    screen.say(b"x" * (MAX_CLIENT_LINE + 1))
    screen.hear_out()
    join(engine).hear()


def test_a_wish_without_its_end_is_no_wish(engine: Engine, join: Join) -> None:
    screen = join(engine)
    screen.say(encode_wish(Wish.of("next")) + encode_wish(Wish.of("stop"))[:-1])
    screen.socket.shutdown(socket.SHUT_WR)
    screen.hear_out()
    assert engine.wishes == [Wish.of("next")]


def test_every_wish_arrives_in_order(engine: Engine, join: Join) -> None:
    screen = join(engine)
    sent = [wish for wish in WISHES if wish.ask not in (Ask.FILL, Ask.STOP)]
    for wish in sent:
        screen.say(encode_wish(wish))
    eventually(lambda: engine.wishes == sent)


def test_a_key_that_sticks_loses_its_own_connection(engine: Engine, join: Join) -> None:
    bystander, screen = join(engine), join(engine)
    screen.say(encode_wish(Wish.of("align")) * 1000)
    screen.hear_out()
    # Two seconds' worth at most, should the thousand straddle a second.
    assert len(engine.wishes) <= 2 * server_module.WISHES_A_SECOND
    engine.at(1)
    bystander.hear_tick(1)


@pytest.mark.parametrize("trouble", [ValueError("no"), SystemExit(1), KeyError()])
def test_a_wish_that_fails_costs_nothing(
    engine: Engine, join: Join, trouble: BaseException
) -> None:
    engine.wish_trouble = trouble
    screen = join(engine)
    screen.say(encode_wish(Wish.of("next")))
    eventually(lambda: len(engine.wishes) == 1)
    engine.at(1)
    screen.hear_tick(1)


def test_an_engine_that_cannot_describe_itself_says_so_once_and_recovers(
    engine: Engine, join: Join, caplog: pytest.LogCaptureFixture
) -> None:
    screen = join(engine)
    screen.hear()
    engine.snapshot_trouble = RuntimeError("lost the thread")
    for _ in range(3):
        built = engine.built
        engine.server.poke()
        eventually(lambda before=built: engine.built > before)
    engine.snapshot_trouble = None
    engine.at(96)
    screen.hear_tick(96)
    assert caplog.text.count("no snapshot for the screens") == 1


def test_a_screen_that_never_reads_costs_neither_memory_nor_the_others(
    join: Join, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server_module, "SNAPSHOT_S", 0.0005)
    engine = Engine(LONG)
    deaf, screen = join(engine), join(engine)
    screen.hear()
    tracemalloc.start()
    try:
        for tick in range(1, 101):
            engine.at(tick)
            screen.hear_tick(tick)
        before, _ = tracemalloc.get_traced_memory()
        for tick in range(101, 501):
            engine.at(tick)
            screen.hear_tick(tick)
        after, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert after - before < 3 * len(LONG)
    # Ten thousand pokes at once are no more than one or two snapshots.
    for tick in range(501, 10_501):
        engine.at(tick)
    assert screen.hear_tick(10_500).tick == 10_500
    # And once the deaf one listens, it is at the present after what the kernel held for it.
    assert deaf.hear_tick(10_500).tick == 10_500
    engine.server.close()


def test_nothing_is_built_for_a_screen_that_does_not_read(
    join: Join, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server_module, "SNAPSHOT_S", 0.0005)
    monkeypatch.setattr(server_module, "KEEP_ALIVE_S", 0.001)
    engine = Engine(LONG)
    screen = join(engine)
    seen = [-1]

    def at_rest() -> bool:
        seen.append(engine.built)
        threading.Event().wait(0.1)
        return engine.built == seen[-1]

    eventually(at_rest)
    stuck = engine.built
    for tick in range(1000):
        engine.at(tick)
    threading.Event().wait(0.1)
    assert engine.built == stuck
    engine.tick = 5000
    assert screen.hear_tick(5000).tick == 5000
    engine.server.close()


def test_a_full_house_lets_nobody_in_until_somebody_leaves(engine: Engine, join: Join) -> None:
    screens = [join(engine) for _ in range(MAX_CONNECTIONS)]
    for screen in screens:
        screen.hear()
    assert join(engine).hear_out() == b""
    screens[3].leave()
    eventually(lambda: join(engine).socket.recv(1) != b"")
    engine.at(1)
    screens[-1].hear_tick(1)


def test_silent_strangers_cannot_keep_a_screen_out(
    engine: Engine, join: Join, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server_module, "HELLO_S", 600.0)
    strangers = [join(engine, hello=None) for _ in range(2 * MAX_STRANGERS)]
    screen = join(engine)
    screen.hear()
    # The ones that had waited longest made room.
    assert strangers[0].hear_out() == b""


def test_a_screen_that_hangs_up_in_the_middle_is_forgotten(engine: Engine, join: Join) -> None:
    bystander = join(engine)
    for _ in range(50):
        screen = join(engine)
        # Hanging up at once with the snapshot unread makes the kernel send a reset.
        screen.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        screen.leave()
    engine.at(1)
    bystander.hear_tick(1)
    screens = [join(engine) for _ in range(MAX_CONNECTIONS - 1)]
    for screen in screens:
        screen.hear()


def test_a_failure_in_the_loop_starts_it_again_on_the_same_port(
    engine: Engine, join: Join, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server_module, "PAUSE_S", 0.01)
    screen = join(engine)
    screen.hear()
    working = engine.server._publish
    failures: list[float] = []

    def broken(now: float) -> None:
        if not failures:
            failures.append(now)
            raise MemoryError
        working(now)

    monkeypatch.setattr(engine.server, "_publish", broken)
    engine.at(1)
    screen.hear_out()
    assert len(failures) == 1

    def lets_in() -> bool:
        try:
            join(engine).hear_tick(1)
        except (AssertionError, OSError):
            return False
        return True

    eventually(lets_in)


@pytest.mark.skipif(os.name != "posix", reason="limits are POSIX")
def test_out_of_file_handles_it_waits_and_goes_on(
    engine: Engine, join: Join, monkeypatch: pytest.MonkeyPatch
) -> None:
    import resource

    monkeypatch.setattr(server_module, "PAUSE_S", 0.05)
    present = join(engine)
    present.hear()
    late = socket.socket()
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (3, hard))
    try:
        late.connect(("127.0.0.1", engine.endpoint.port))
        late.sendall(encode_hello(TOKEN))
        eventually(lambda: engine.server._accept_at is not None)
        engine.at(1)
        present.hear_tick(1)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    late.settimeout(20.0)
    assert late.recv(1 << 16).startswith(b'{"snapshot":')
    late.close()


def test_stop_from_within_a_wish_closes_every_connection(engine: Engine, join: Join) -> None:
    screen, other = join(engine), join(engine)
    other.hear()
    screen.say(encode_wish(Wish.of("stop")))
    screen.hear_out()
    other.hear_out()
    engine.server.close()
    engine.server.poke()
    with pytest.raises(OSError, match="refused"):
        Peer(engine)


def test_a_server_closed_before_it_started_is_no_trouble() -> None:
    server = Server(tidewater, print, TOKEN)
    server.poke()
    server.close()


def test_a_taken_port_is_one_plain_line(engine: Engine) -> None:
    with pytest.raises(LinkError, match="cannot open the link") as caught:
        Server(tidewater, print, TOKEN, port=engine.endpoint.port).start()
    assert "\n" not in str(caught.value)


def test_it_listens_on_the_loopback_address_only(engine: Engine) -> None:
    assert engine.server._listener.getsockname()[0] == "127.0.0.1"
