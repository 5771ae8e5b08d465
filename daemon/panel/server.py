"""The panel over HTTP: the static page, one stream of news, and commands.

Owns the aiohttp application. News go out as server-sent events (WHATWG HTML, section 9.2): one direction is all that is
needed, browsers reconnect by themselves, and any proxy passes it on. The stream begins with the whole present state, so
that a page which comes late, comes back or was overrun needs nothing else. Commands come in as POST and take the same
way as those from the broker, with an id that makes them safe to repeat.

It must not know the procedure, and nobody waits for it: a slow page only fills its own bounded queue.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final

from aiohttp import web
from pydantic import ValidationError

from ...protocol.commands import AnyCommand, Reply
from ...protocol.errors import LampwardenError
from ...protocol.quantity import Frozen
from ..bus import BusFullError, Overrun
from ..clock import wall_s, wire_sleep
from ..config import PanelTable
from ..mqtt.publisher import LARGEST_COMMAND_BYTES, answer
from .guard import SESSION_S, Guard
from .present import Presenter

log = logging.getLogger("lampwarden.panel")

_STATIC: Final = Path(__file__).parent / "static"
_TYPES: Final = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
COOKIE: Final = "lampwarden_session"
WRITE_BOUND_S: Final = 20.0
"""A page that takes nothing for so long is gone; its stream is ended, and it comes back if it lives."""
RETRY_S: Final = 5.0
"""Between two tries to get the panel's port: the bench runs on without its panel."""
WRONG_PASSWORD_S: Final = 1.0
"""Wait after a wrong password; tries are taken one at a time, so nobody gets more than one a second."""

HEADERS: Final = {
    # Nothing from outside, no inline script or style, no frame around it (CSP level 3).
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-cache",
}
REPORT_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; sandbox"
"""A report is one file with its style inside, and without script."""

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class Login(Frozen):
    """What the login page sends."""

    password: str


class Panel:
    """The page of one bench."""

    def __init__(
        self,
        table: PanelTable,
        presenter: Presenter,
        obey: Callable[[AnyCommand], Awaitable[Reply]],
        report: Callable[[str], str],
    ) -> None:
        """Prepare; no port is touched yet.

        Args:
            table: ``[panel]``.
            presenter: Knows the present state.
            obey: Carries out a command.
            report: Makes the report of a test; blocking, run on a thread of the panel's own.

        Raises:
            ConfigurationError: The password file cannot be used.
        """
        self._table = table
        self._presenter = presenter
        self._obey = obey
        self._report = report
        self._guard = Guard.of(table)
        self._one_try = asyncio.Lock()
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="panel")
        self.url = f"http://{f'[{table.host}]' if ':' in table.host else table.host}:{table.port}/"
        self.listening = asyncio.Event()

    async def run(self) -> None:
        """Serve until cancelled; a port that is taken is tried again, and the bench runs on meanwhile."""
        runner = web.AppRunner(
            self.application(), handle_signals=False, access_log=None, shutdown_timeout=0.5, handler_cancellation=True
        )
        await runner.setup()
        try:
            while not self.listening.is_set():
                try:
                    await web.TCPSite(runner, self._table.host, self._table.port).start()
                except OSError as error:
                    log.error(  # noqa: TRY400 - a technician has no use for the traceback
                        "panel: cannot listen at %s: %s (another [panel] port, or stop what uses it)",
                        self.url,
                        error.strerror,
                    )
                    await wire_sleep(RETRY_S)
                else:
                    self.listening.set()
                    log.info("panel: %s", self.url)
            await asyncio.Event().wait()
        finally:
            self._presenter.bus.close()
            await runner.cleanup()
            self._pool.shutdown(wait=False, cancel_futures=True)

    def application(self) -> web.Application:
        """The application, for :meth:`run` and for tests."""
        application = web.Application(middlewares=[self._check], client_max_size=LARGEST_COMMAND_BYTES)
        application.add_routes(
            [
                web.get("/", self._page),
                web.get("/static/{name}", self._static),
                web.get("/session", self._session),
                web.get("/news", self._news, allow_head=False),
                web.post("/commands/{verb}", self._command),
                web.post("/login", self._login),
                web.get("/reports/{test_id}", self._show_report),
            ]
        )
        return application

    @web.middleware
    async def _check(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Host, origin and session, before anything else; headers on whatever goes out."""
        refusal = self._refusal(request)
        if refusal is not None:
            refusal.headers.update(HEADERS)
            return refusal
        try:
            response = await handler(request)
        except web.HTTPException as error:
            for name, value in HEADERS.items():
                error.headers.setdefault(name, value)
            raise
        if not response.prepared:
            for name, value in HEADERS.items():
                response.headers.setdefault(name, value)
        return response

    def _refusal(self, request: web.Request) -> web.Response | None:
        if not self._guard.knows_host(request.host):
            text = f"This panel does not go by the name {request.host}; [panel] names in bench.toml can add it.\n"
            return web.Response(status=421, text=text)
        if request.method not in ("GET", "HEAD"):
            if not self._guard.same_origin(request.headers.get("Origin"), request.host):
                return web.Response(status=403, text="Only pages of this panel may do that.\n")
            if request.content_type != "application/json":
                return web.Response(status=415, text="JSON is expected.\n")
        free = request.path in ("/", "/login") or request.path.startswith("/static/")
        if not free and not self._is_in(request):
            return web.Response(status=401, text="Log in first.\n")
        return None

    def _is_in(self, request: web.Request) -> bool:
        return self._guard.lets_in(request.cookies.get(COOKIE), wall_s())

    async def _page(self, request: web.Request) -> web.StreamResponse:
        return _file("index.html" if self._is_in(request) else "login.html")

    async def _static(self, request: web.Request) -> web.StreamResponse:
        return _file(request.match_info["name"])

    async def _session(self, _: web.Request) -> web.StreamResponse:
        """Whether one is logged in: who is not does not get here."""
        return web.Response(status=204)

    async def _login(self, request: web.Request) -> web.StreamResponse:
        try:
            login = Login.model_validate_json(await request.read())
        except ValidationError:
            return web.Response(status=400, text="A password is expected.\n")
        password = self._guard.password
        if password is None:
            return web.Response(status=204)
        async with self._one_try:
            loop = asyncio.get_running_loop()
            if not await loop.run_in_executor(self._pool, password.fits, login.password):
                log.warning("panel: wrong password from %s", request.remote)
                await wire_sleep(WRONG_PASSWORD_S)
                return web.Response(status=403, text="That is not the password.\n")
        response = web.Response(status=204)
        response.set_cookie(
            COOKIE,
            self._guard.session(wall_s()),
            max_age=SESSION_S,
            httponly=True,
            samesite="Strict",
            secure=request.headers.get("Origin", "").startswith("https:"),
        )
        return response

    async def _command(self, request: web.Request) -> web.StreamResponse:
        verb = request.match_info["verb"]
        reply = await answer(verb, await request.read(), self._obey)
        log.info("panel: command %s: %s: %s", verb, "accepted" if reply.accepted else "refused", reply.text)
        return web.Response(text=reply.model_dump_json(by_alias=True), content_type="application/json")

    async def _show_report(self, request: web.Request) -> web.StreamResponse:
        loop = asyncio.get_running_loop()
        try:
            page = await loop.run_in_executor(self._pool, self._report, request.match_info["test_id"])
        except LampwardenError as error:
            return web.Response(status=404, text=f"{error}\n")
        headers = {"Content-Security-Policy": REPORT_POLICY}
        return web.Response(text=page, content_type="text/html", headers=headers)

    async def _news(self, request: web.Request) -> web.StreamResponse:
        try:
            with self._presenter.bus.subscribed() as subscription:
                response = web.StreamResponse(
                    headers={**HEADERS, "Content-Type": "text/event-stream; charset=utf-8", "X-Accel-Buffering": "no"}
                )
                await response.prepare(request)
                present = await self._presenter.present()
                _, shown = self._presenter.sections([], None)
                await _send(response, "present", present.model_dump_json(by_alias=True))
                while notices := await subscription.next():
                    sections, shown = self._presenter.sections(notices, shown)
                    for kind, body in sections:
                        await _send(response, kind, body)
        except BusFullError:
            return web.Response(status=503, text="Too many pages watch this bench already.\n")
        except (Overrun, TimeoutError, ConnectionError):
            log.info("panel: the page at %s was too slow or is gone", request.remote)
        return response


async def _send(response: web.StreamResponse, kind: str, body: str) -> None:
    async with asyncio.timeout(WRITE_BOUND_S):
        await response.write(f"event: {kind}\ndata: {body}\n\n".encode())


def _file(name: str) -> web.Response:
    """A file of the package; names with a path in them do not get here."""
    path = _STATIC / name
    kind = _TYPES.get(path.suffix)
    if kind is None or path.parent != _STATIC or not path.is_file():
        raise web.HTTPNotFound
    return web.Response(body=path.read_bytes(), content_type=kind, charset="utf-8")
