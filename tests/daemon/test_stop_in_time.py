"""A stop is over within two seconds, whatever the bench and its broker are about. In virtual time: nothing here depends
on how fast the machine is, and a wait that is too long shows however short it is."""

import asyncio
import logging
from dataclasses import replace
from pathlib import Path

import pytest
from lampwarden.daemon.store.journal_files import left_by
from lampwarden.simulators.scenario import Scenario
from support.mosquitto import Mosquitto, mosquitto
from support.virtual_bench import SMALL
from support.world_bench import WorldBench
from support.world_loop import WorldLoop, run_in_world

pytestmark = [pytest.mark.slow, pytest.mark.timeout(240)]

WITHIN_S = 2.0
SPEED = 10.0
STATES = ("", "prepare", "await_strike", "warm_up", "tune", "settle", "window", "await_press", "done")
"""In their order; the first is an idle bench."""
LAMP_OUT = "cool_down"


def stop_in(state: str, folder: Path, broker: Mosquitto, trouble: str = "none") -> float:
    """Seconds of wire time from being told to stop until the end."""

    async def main(loop: WorldLoop) -> float:
        scenario = replace(Scenario.demo(), grid=SMALL, sags=(), disturbances=())
        tables = {"broker": {"host": "127.0.0.1", "port": broker.port}}
        world = WorldBench(loop, folder / "bench", scenario, 1, SPEED, **tables)
        loop.under_way.append(world.waits_for_broker)
        async with world.running():
            await world.daemon.connected()
            if state:
                await world.begin("t-1")
                for before in STATES[1 : 1 + STATES.index("warm_up" if state == LAMP_OUT else state)]:
                    await world.until_state(before)
                if state == LAMP_OUT:
                    world.bench.switch_off(world.clock.monotonic())
                    await world.until_state(LAMP_OUT)
                await world.clock.sleep(2.0)
            if trouble == "paused":
                broker.pause()
                # A broker that is silent is not waited for by time: its silence is what is to be bounded.
                loop.under_way.remove(world.waits_for_broker)
            elif trouble == "away":
                broker.kill()
                await world.clock.sleep(300.0)
            assert world.task is not None
            told_s = loop.time()
            world.task.cancel()
            await asyncio.wait([world.task])
            return loop.time() - told_s

    took_s = run_in_world(main)
    assert left_by(folder / "bench" / "journal.sqlite") is None, "the journal was let go of"
    return took_s


@pytest.mark.parametrize("state", [*STATES, LAMP_OUT])
def test_from_every_state_of_a_test(tmp_path: Path, state: str) -> None:
    with mosquitto(tmp_path / "broker", more="set_tcp_nodelay true") as broker:
        assert stop_in(state, tmp_path, broker) <= WITHIN_S


def test_the_log_says_in_one_line_what_was_going_on_and_that_it_will_go_on(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    with mosquitto(tmp_path / "broker", more="set_tcp_nodelay true") as broker:
        stop_in("warm_up", tmp_path, broker)
    (line,) = [r.getMessage() for r in caplog.records if r.getMessage().startswith("stopped")]
    assert line == (
        "stopped during test t-1: the lamp was warming up; "
        "the test goes on from what is on disk when the daemon is started again"
    )


@pytest.mark.parametrize("trouble", ["paused", "away"])
@pytest.mark.parametrize("state", ["", "window"])
def test_whatever_the_broker_does(tmp_path: Path, state: str, trouble: str) -> None:
    with mosquitto(tmp_path / "broker", more="set_tcp_nodelay true") as broker:
        assert stop_in(state, tmp_path, broker, trouble) <= WITHIN_S
