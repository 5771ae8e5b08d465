"""Who may speak to the panel: password, session, and where a request may come from. No I/O but the password file.

On loopback the danger is not the network but other pages in the same browser: a name that is made to point at
127.0.0.1 (DNS rebinding) is met by the ``Host`` check, a form or script on another site by the ``Origin`` check, and
nothing is ever allowed across origins. Beyond loopback a password is asked for as well. The panel speaks plain HTTP:
across an untrusted network it belongs behind a reverse proxy with TLS, or at the end of an SSH tunnel.

The password file holds a salted scrypt hash (RFC 7914) and the key that signs sessions, so that a restart of the daemon
logs nobody out; it is made with ``lampwarden password`` and is for its owner's eyes only. A session is a moment of
expiry with an HMAC-SHA-256 (RFC 2104) over it: nothing is stored, and a new password ends all sessions.
"""

import hashlib
import hmac
import os
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from pydantic import Field, ValidationError

from ...protocol.errors import ConfigurationError
from ...protocol.quantity import Frozen
from ..config import LOOPBACK, PanelTable

SESSION_S: Final = 12 * 3600
"""A working day (common practice, no source)."""
SHORTEST_PASSWORD: Final = 8
"""NIST SP 800-63B, 5.1.1.2 (from memory)."""
_N: Final = 2**14
_R: Final = 8
_P: Final = 1
"""RFC 7914's parameters for interactive use: some 50 ms and 16 MiB a try."""
_MAXMEM: Final = 64 * 1024 * 1024


class PasswordFile(Frozen):
    """Contents of a password file."""

    schema_: Literal["lampwarden.panel-password/1"] = Field(default="lampwarden.panel-password/1", alias="schema")
    salt: str = Field(pattern=r"^[0-9a-f]{32}$")
    scrypt: str = Field(pattern=r"^[0-9a-f]{64}$")
    n: int = Field(default=_N, ge=2**10, le=2**16)
    session_key: str = Field(pattern=r"^[0-9a-f]{64}$")

    def fits(self, password: str) -> bool:
        """Whether this is the password. Takes tens of milliseconds of a processor."""
        return hmac.compare_digest(_hash(password, bytes.fromhex(self.salt), self.n), bytes.fromhex(self.scrypt))


def _hash(password: str, salt: bytes, n: int) -> bytes:
    return hashlib.scrypt(password.encode(), salt=salt, n=n, r=_R, p=_P, maxmem=_MAXMEM, dklen=32)


def write_password_file(path: Path, password: str) -> None:
    """Make or replace a password file that only its owner can read.

    Raises:
        ConfigurationError: The password is too short, or the file cannot be written.
    """
    if len(password) < SHORTEST_PASSWORD:
        raise ConfigurationError(f"a password of at least {SHORTEST_PASSWORD} characters is expected", where=str(path))
    salt = secrets.token_bytes(16)
    file = PasswordFile(salt=salt.hex(), scrypt=_hash(password, salt, _N).hex(), session_key=secrets.token_hex(32))
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as out:
            out.write(file.model_dump_json(by_alias=True) + "\n")
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise ConfigurationError(f"cannot be written: {error.strerror}", where=str(path)) from None


def load_password_file(path: Path) -> PasswordFile:
    """Read a password file.

    Raises:
        ConfigurationError: It cannot be read, others can read it, or it is not one.
    """
    where, mend = f"panel.password_file {path}", "make one with: lampwarden password FILE"
    try:
        if path.stat().st_mode & 0o077:
            raise ConfigurationError("others than its owner can read it", where=where, mend=f"chmod 600 {path}")
        return PasswordFile.model_validate_json(path.read_bytes())
    except OSError as error:
        raise ConfigurationError(f"cannot be read: {error.strerror}", where=where, mend=mend) from None
    except ValidationError:
        raise ConfigurationError("this is no password file of the panel", where=where, mend=mend) from None


@dataclass(frozen=True, slots=True)
class Guard:
    """The rules of one panel."""

    names: frozenset[str]
    """Host names by which it may be asked for."""
    password: PasswordFile | None

    @classmethod
    def of(cls, table: PanelTable) -> "Guard":
        """Rules after ``[panel]``.

        Raises:
            ConfigurationError: See :func:`load_password_file`.
        """
        password = None if table.password_file is None else load_password_file(table.password_file)
        return cls(frozenset(LOOPBACK) | {table.host.lower(), *(name.lower() for name in table.names)}, password)

    def knows_host(self, host: str) -> bool:
        """Whether a ``Host`` header names this machine; with a password, whatever people call it will do.

        A name under an attacker's control can be made to point here, but a browser has no session cookie for it.
        """
        return self.password is not None or _name(host) in self.names

    def same_origin(self, origin: str | None, host: str) -> bool:
        """Whether a request that changes something comes from a page of the panel itself.

        Browsers send ``Origin`` with every POST (Fetch standard, "append a request Origin header"); one that is missing
        or ``null`` is refused. Behind a proxy with TLS the scheme differs and the host must be passed on.
        """
        return origin in (f"http://{host}", f"https://{host}") and bool(host)

    def session(self, now_s: float) -> str:
        """A cookie's value for someone who knew the password.

        Args:
            now_s: Wire time, seconds since 1970.
        """
        expires = str(int(now_s + SESSION_S))
        return f"{expires}.{self._sign(expires)}"

    def lets_in(self, cookie: str | None, now_s: float) -> bool:
        """Whether a cookie is a session that still runs; without a password everybody is let in."""
        if self.password is None:
            return True
        expires, _, signature = (cookie or "").partition(".")
        if not expires.isascii() or not expires.isdigit() or len(expires) > 12:
            return False
        return hmac.compare_digest(signature.encode(), self._sign(expires).encode()) and int(expires) > now_s

    def _sign(self, expires: str) -> str:
        assert self.password is not None  # noqa: S101 - nobody asks without a password
        key = bytes.fromhex(self.password.session_key)
        return hmac.new(key, f"{self.password.scrypt}.{expires}".encode(), hashlib.sha256).hexdigest()


def _name(host: str) -> str:
    """Host name of a ``Host`` header, without the port and an IPv6 address's brackets."""
    host = host.strip().lower()
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.partition(":")[0]
