"""Where the broker of a bench is, and how to speak to it. Holds a password, and never shows it."""

import ssl
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where the broker is and how to speak to it."""

    host: str
    port: int
    protocol: str = "auto"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    timeout_s: float = 10.0
    longest_wait_s: float = 30.0
    """Between two tries to connect, once several have failed."""
    tls: ssl.SSLContext | None = field(default=None, repr=False)

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"
