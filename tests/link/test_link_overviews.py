"""Plan and map: told once to each screen, again when they change, and never in the count's way."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable

import pytest

from companion.link.client import Client, ask_snapshot
from companion.link.endpoint import Endpoint
from companion.link.messages import (
    MAX_OVERVIEW,
    MapRow,
    PatternMap,
    PlanPart,
    PlanSong,
    SetPlan,
    Snapshot,
    encode_map,
    encode_plan,
    encode_snapshot,
)
from tests.link.link_peers import PATIENCE_S, TOKEN, Engine, Peer, tidewater

Join = Callable[..., Peer]

PLAN = SetPlan(
    "Tidewater", 1, (PlanSong("Slack water", 118.0),), (PlanPart(1, 1, "slack water", 2),)
)
FIRST = PatternMap(1, "slack water", rows=(MapRow("low drum", (16,), levels="00090009"),), passes=8)
SECOND = PatternMap(2, "high water", passes=8)


def test_a_screen_is_told_both_once_and_then_only_what_changed(engine: Engine, join: Join) -> None:
    engine.plan, engine.map = PLAN, FIRST
    screen = join(engine)
    for tick in (1, 2, 3):
        engine.at(tick)
        screen.hear_tick(tick)
    assert screen.overviews == [PLAN, FIRST]
    engine.map = SECOND
    engine.at(4)
    screen.hear_tick(4)
    engine.at(5)
    screen.hear_tick(5)
    assert screen.overviews == [PLAN, FIRST, SECOND]


def test_who_comes_in_later_is_told_the_newest_only(engine: Engine, join: Join) -> None:
    engine.plan, engine.map = PLAN, FIRST
    first = join(engine)
    first.hear()
    engine.map = SECOND
    engine.at(1)
    first.hear_tick(1)
    late = join(engine)
    late.hear()
    engine.at(2)
    late.hear_tick(2)
    assert late.overviews == [PLAN, SECOND]


def test_a_command_that_asks_for_a_snapshot_gets_a_snapshot(engine: Engine) -> None:
    engine.plan, engine.map = PLAN, FIRST
    assert ask_snapshot(engine.endpoint).set_name == "Tidewater"


def test_an_overview_that_cannot_be_made_costs_nobody_the_count(
    engine: Engine, join: Join, caplog: pytest.LogCaptureFixture
) -> None:
    engine.overview_trouble = ZeroDivisionError()
    screen = join(engine)
    for tick in (1, 2, 3):
        engine.at(tick)
        screen.hear_tick(tick)
    assert caplog.text.count("no overview for the screens") == 1
    engine.overview_trouble = None
    engine.plan = SetPlan("low tide " * MAX_OVERVIEW)
    engine.at(4)
    screen.hear_tick(4)
    engine.plan = PLAN
    engine.at(5)
    screen.hear_tick(5)
    engine.at(6)
    screen.hear_tick(6)
    assert screen.overviews == [PLAN]


async def test_the_client_hands_over_what_the_engine_hung_up(engine: Engine) -> None:
    engine.plan, engine.map = PLAN, FIRST
    heard: list[SetPlan | PatternMap] = []
    run = asyncio.create_task(
        Client(lambda: engine.endpoint).run(lambda s: None, lambda c: None, heard.append)
    )
    async with asyncio.timeout(PATIENCE_S):
        while len(heard) < 2:
            await asyncio.sleep(0.005)
        engine.map = SECOND
        engine.at(1)
        while len(heard) < 3:
            await asyncio.sleep(0.005)
    run.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await run
    assert heard == [PLAN, FIRST, SECOND]


async def heard_from(answer: bytes, enough: Callable[[list[object]], bool]) -> list[object]:
    """What a client hears from something that answers with `answer`, told one by one."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.closing(writer):
            await reader.readline()
            writer.write(answer)
            await reader.read()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    endpoint = Endpoint(server.sockets[0].getsockname()[1], TOKEN)
    heard: list[object] = []

    def take(snapshot: Snapshot) -> None:
        heard.append(snapshot.tick)

    run = asyncio.create_task(Client(lambda: endpoint).run(take, heard.append, heard.append))
    async with asyncio.timeout(PATIENCE_S):
        while not enough(heard):
            await asyncio.sleep(0.005)
    run.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await run
    server.close()
    return heard


async def test_of_many_waiting_overviews_only_the_newest_counts() -> None:
    answer = encode_snapshot(tidewater(1)) + encode_plan(PLAN)
    answer += encode_map(FIRST) + encode_map(SECOND) + encode_snapshot(tidewater(2))
    heard = await heard_from(answer, lambda heard: len(heard) >= 4)
    assert heard == [True, 2, PLAN, SECOND]


@pytest.mark.parametrize("spoilt", [b'{"plan":7}\n', b'{"map":{"part":"one"}}\n', b'{"map":\n'])
async def test_an_overview_that_makes_no_sense_is_passed_over(spoilt: bytes) -> None:
    answer = encode_snapshot(tidewater(7)) + spoilt
    assert await heard_from(answer, lambda heard: len(heard) >= 2) == [True, 7]
