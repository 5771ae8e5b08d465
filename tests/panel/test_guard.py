"""Who may speak to the panel. Requests are made as browsers and attackers make them, over a real socket."""

import asyncio
import socket
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest
from aiohttp import ClientSession, CookieJar
from aiohttp.test_utils import TestServer
from lampwarden.daemon.bus import Bus
from lampwarden.daemon.config import PanelTable
from lampwarden.daemon.panel import server
from lampwarden.daemon.panel.guard import SESSION_S, Guard, load_password_file, write_password_file
from lampwarden.daemon.panel.server import COOKIE, Panel
from lampwarden.protocol.commands import AnyCommand, Reply
from lampwarden.protocol.errors import ConfigurationError, JournalError

WORD = "correct horse"
PRESS = {"id": "p-1"}
EVERYWHERE = "0.0.0.0"  # noqa: S104 - what a bench says that phones should reach; nothing here listens there


class Nothing:
    """A presenter that has nothing to tell: the guard comes before it."""

    def __init__(self) -> None:
        self.bus: Bus[object] = Bus()


def no_report(test_id: str) -> str:
    raise JournalError(f"has no test {test_id}", where="journal")


class Served:
    """A panel on a socket, and what reached the bench."""

    def __init__(self, server: TestServer, session: ClientSession, obeyed: list[AnyCommand]) -> None:
        self.server = server
        self.session = session
        self.obeyed = obeyed

    def url(self, path: str) -> str:
        return str(self.server.make_url(path))

    @property
    def origin(self) -> str:
        return str(self.server.make_url("/")).rstrip("/")


Serve = Callable[[PanelTable], "AsyncIterator[Served]"]


async def served(table: PanelTable) -> AsyncIterator[Served]:
    obeyed: list[AnyCommand] = []

    async def obey(command: AnyCommand) -> Reply:
        obeyed.append(command)
        return Reply(id=command.id, verb=command.verb, accepted=True, text="done")

    panel = Panel(table, Nothing(), obey, no_report)  # type: ignore[arg-type]  # what the guard lets through is not asked for
    async with TestServer(panel.application()) as server, ClientSession(cookie_jar=CookieJar(unsafe=True)) as session:
        yield Served(server, session, obeyed)


@pytest.fixture
async def open_panel() -> AsyncIterator[Served]:
    async for one in served(PanelTable()):
        yield one


@pytest.fixture
async def locked_panel(tmp_path: Path) -> AsyncIterator[Served]:
    file = tmp_path / "password.json"
    write_password_file(file, WORD)
    async for one in served(PanelTable(host=EVERYWHERE, password_file=file)):
        yield one


async def post(panel: Served, path: str, body: object, **headers: str) -> tuple[int, str]:
    async with panel.session.post(panel.url(path), json=body, headers=headers) as response:
        return response.status, await response.text()


async def test_page_comes_with_a_policy_that_allows_nothing_from_outside(open_panel: Served) -> None:
    async with open_panel.session.get(open_panel.url("/")) as response:
        assert response.status == 200
        policy = response.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert response.headers["X-Content-Type-Options"] == "nosniff"
        assert not any(name.startswith("Access-Control") for name in response.headers)


async def test_name_that_was_made_to_point_here_is_turned_away(open_panel: Served) -> None:
    for path in ("/", "/news", "/static/panel.js", "/commands/press"):
        async with open_panel.session.get(open_panel.url(path), headers={"Host": "evil.example:8080"}) as response:
            assert response.status == 421
            assert "Content-Security-Policy" in response.headers


async def test_page_of_another_site_cannot_press(open_panel: Served) -> None:
    status, _ = await post(open_panel, "/commands/press", PRESS, Origin="http://evil.example")
    assert status == 403
    status, _ = await post(open_panel, "/commands/press", PRESS, Origin="null")
    assert status == 403
    status, _ = await post(open_panel, "/commands/press", PRESS)  # no Origin at all: no browser's page
    assert status == 403
    assert open_panel.obeyed == []


async def test_form_of_another_site_is_refused_for_its_type_as_well(open_panel: Served) -> None:
    async with open_panel.session.post(
        open_panel.url("/commands/press"),
        data="{}",
        headers={"Origin": open_panel.origin, "Content-Type": "text/plain"},
    ) as response:
        assert response.status == 415
    assert open_panel.obeyed == []


async def test_own_page_can_press(open_panel: Served) -> None:
    status, text = await post(open_panel, "/commands/press", PRESS, Origin=open_panel.origin)
    assert status == 200
    assert Reply.model_validate_json(text).accepted
    assert [command.id for command in open_panel.obeyed] == ["p-1"]


async def test_command_that_is_not_understood_is_answered_and_not_carried_out(open_panel: Served) -> None:
    status, text = await post(open_panel, "/commands/reread", {"id": "r-1", "spot": "?"}, Origin=open_panel.origin)
    assert status == 200
    assert not Reply.model_validate_json(text).accepted
    assert open_panel.obeyed == []


async def test_large_command_is_refused(open_panel: Served) -> None:
    status, _ = await post(open_panel, "/commands/press", {"id": "x" * 100_000}, Origin=open_panel.origin)
    assert status == 413
    assert open_panel.obeyed == []


async def test_files_outside_of_the_panel_cannot_be_had(open_panel: Served) -> None:
    for name in ("%2e%2e%2fserver.py", "..%2fguard.py", "nothing.js", "__init__.py"):
        async with open_panel.session.get(open_panel.url(f"/static/{name}")) as response:
            assert response.status == 404


async def test_report_of_an_unknown_test_says_so(open_panel: Served) -> None:
    async with open_panel.session.get(open_panel.url("/reports/none-such")) as response:
        assert response.status == 404
        assert "has no test none-such" in await response.text()


async def test_without_the_password_only_the_login_page_is_shown(locked_panel: Served) -> None:
    async with locked_panel.session.get(locked_panel.url("/")) as response:
        assert "Password" in await response.text()
    for path in ("/news", "/session", "/reports/x"):
        async with locked_panel.session.get(locked_panel.url(path)) as response:
            assert response.status == 401
    status, _ = await post(locked_panel, "/commands/press", PRESS, Origin=locked_panel.origin)
    assert status == 401
    assert locked_panel.obeyed == []


async def test_wrong_password_gets_no_session(locked_panel: Served) -> None:
    status, text = await post(locked_panel, "/login", {"password": "wrong horse"}, Origin=locked_panel.origin)
    assert (status, text) == (403, "That is not the password.\n")
    async with locked_panel.session.get(locked_panel.url("/session")) as response:
        assert response.status == 401


async def test_password_gives_a_session_that_scripts_cannot_read(locked_panel: Served) -> None:
    async with locked_panel.session.post(
        locked_panel.url("/login"), json={"password": WORD}, headers={"Origin": locked_panel.origin}
    ) as response:
        assert response.status == 204
        cookie = response.cookies[COOKIE]
        assert cookie["httponly"]
        assert cookie["samesite"] == "Strict"
    status, _ = await post(locked_panel, "/commands/press", PRESS, Origin=locked_panel.origin)
    assert status == 200
    status, _ = await post(locked_panel, "/commands/press", PRESS, Origin="http://evil.example")
    assert status == 403  # a session is not enough


async def test_port_that_is_taken_is_tried_again_while_the_bench_runs_on(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "RETRY_S", 0.05)
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()

        async def obey(command: AnyCommand) -> Reply:
            return Reply(id=command.id, verb=command.verb, accepted=True, text="done")

        on_taken_port = PanelTable(port=other.getsockname()[1])
        panel = Panel(on_taken_port, Nothing(), obey, no_report)  # type: ignore[arg-type]  # never asked
        async with asyncio.TaskGroup() as group:
            running = group.create_task(panel.run())
            async with asyncio.timeout(60):
                with pytest.raises(TimeoutError):
                    async with asyncio.timeout(0.3):
                        await panel.listening.wait()
                other.close()
                await panel.listening.wait()
            running.cancel()


def test_session_ends_with_its_time_and_cannot_be_forged_or_prolonged(tmp_path: Path) -> None:
    file = tmp_path / "password.json"
    write_password_file(file, WORD)
    guard = Guard.of(PanelTable(host=EVERYWHERE, password_file=file))
    cookie = guard.session(1000.0)
    assert guard.lets_in(cookie, 1000.0 + SESSION_S - 1)
    assert not guard.lets_in(cookie, 1000.0 + SESSION_S + 1)
    expires, signature = cookie.split(".")
    for forged in (f"{int(expires) + 9999}.{signature}", expires, f"{expires}.", "", None, f"-1.{signature}", "٣.x"):
        assert not guard.lets_in(forged, 1000.0)


def test_session_outlives_a_restart_and_ends_with_a_new_password(tmp_path: Path) -> None:
    file = tmp_path / "password.json"
    write_password_file(file, WORD)
    table = PanelTable(host=EVERYWHERE, password_file=file)
    cookie = Guard.of(table).session(1000.0)
    assert Guard.of(table).lets_in(cookie, 1001.0)
    write_password_file(file, "another horse")
    assert not Guard.of(table).lets_in(cookie, 1001.0)


def test_password_file_is_for_its_owner_and_holds_no_password(tmp_path: Path) -> None:
    file = tmp_path / "password.json"
    write_password_file(file, WORD)
    assert file.stat().st_mode & 0o777 == 0o600
    assert WORD not in file.read_text()
    assert load_password_file(file).fits(WORD)
    assert not load_password_file(file).fits(WORD + " ")
    file.chmod(0o644)
    with pytest.raises(ConfigurationError, match="others than its owner"):
        load_password_file(file)


def test_short_password_is_refused_and_nothing_is_written(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="at least 8 characters"):
        write_password_file(tmp_path / "password.json", "1234567")
    assert list(tmp_path.iterdir()) == []


def test_panel_beyond_loopback_needs_a_password() -> None:
    with pytest.raises(ValueError, match="password_file is needed"):
        PanelTable(host=EVERYWHERE)
    assert PanelTable(host="::1").password_file is None
    assert not PanelTable(host=EVERYWHERE, enabled=False).enabled
