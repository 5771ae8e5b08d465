"""Secrets and certificates: read from files that nobody else can read, held in memory, shown to nobody.

A password or key in a file that others can read is no secret: such a file is refused, with the command that mends it.
"""

import os
import ssl
import stat
from pathlib import Path
from typing import Final

from ...protocol.errors import ConfigurationError

LARGEST_SECRET_BYTES: Final = 4096
"""A password is a line; anything larger is another file."""


def check_private(path: Path, where: str) -> None:
    """Refuse a file that others than its owner could read or replace.

    Args:
        path: Of the secret.
        where: The key in the configuration, for the message.

    Raises:
        ConfigurationError: Others may read or write it, it belongs to somebody else, or it is no file.
    """
    place = f"{where} {path}"
    try:
        found = path.stat()
    except OSError as error:
        raise ConfigurationError(f"cannot be read: {error.strerror}", where=place) from None
    if not stat.S_ISREG(found.st_mode):
        raise ConfigurationError("is not a file", where=place)
    if found.st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise ConfigurationError(
            f"can be read or changed by others (mode {stat.S_IMODE(found.st_mode):04o})",
            where=place,
            mend=f"chmod 600 {path}",
        )
    if found.st_uid not in (0, os.geteuid()):
        raise ConfigurationError(
            "belongs to another user", where=place, mend="it must belong to the user who runs the daemon, or to root"
        )


def read_secret(path: Path, where: str) -> str:
    """The secret in a file: all of it, without the line's end.

    Raises:
        ConfigurationError: See :func:`check_private`; or it is empty, too long or not UTF-8.
    """
    check_private(path, where)
    place = f"{where} {path}"
    try:
        raw = path.read_bytes()
        text = raw.decode("utf-8").rstrip("\r\n")
    except OSError as error:
        raise ConfigurationError(f"cannot be read: {error.strerror}", where=place) from None
    except UnicodeDecodeError:
        raise ConfigurationError("is not UTF-8 text", where=place) from None
    if not text or len(raw) > LARGEST_SECRET_BYTES:
        raise ConfigurationError("one line with the secret is expected", where=place)
    return text


class _ClosingSocket(ssl.SSLSocket):
    """Closes itself when the handshake fails: whoever made it (paho) lets it drop, once for each try of weeks."""

    def do_handshake(self, block: bool = False) -> None:
        """As the base class."""
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def tls_context(ca_file: Path | None, certificate_file: Path | None, key_file: Path | None) -> ssl.SSLContext:
    """How to speak to a broker over TLS: at least 1.2, its certificate and name always checked.

    Args:
        ca_file: Who vouches for the broker; None: those whom this machine trusts.
        certificate_file: Of this bench, where the broker asks for one.
        key_file: That belongs to it.

    Raises:
        ConfigurationError: A file cannot be used, or the key is not private.
    """
    try:
        context = ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except (OSError, ssl.SSLError) as error:
        raise ConfigurationError(f"cannot be used: {error}", where=f"broker.tls.ca_file {ca_file}") from None
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.sslsocket_class = _ClosingSocket
    if certificate_file is not None and key_file is not None:
        check_private(key_file, "broker.tls.key_file")
        try:
            context.load_cert_chain(certificate_file, key_file)
        except (OSError, ssl.SSLError) as error:
            place = f"broker.tls.certificate_file {certificate_file}"
            raise ConfigurationError(f"cannot be used with its key: {error}", where=place) from None
    return context
