"""The login of the embedded broker: one user name and password for all who may use it. Loaded by amqtt by its name."""

import hmac
from dataclasses import dataclass, field

from amqtt.plugins.base import BaseAuthPlugin
from amqtt.session import Session


class LoginPlugin(BaseAuthPlugin):  # type: ignore[misc]  # amqtt is not typed for us
    """Lets in who gives the right user name and password."""

    async def authenticate(self, *, session: Session) -> bool:
        """Whether a client may come in; both parts are compared in constant time."""
        given = (session.username or "", session.password or "")
        wanted = (self.config.username, self.config.password)
        matches = [hmac.compare_digest(g.encode(), w.encode()) for g, w in zip(given, wanted, strict=True)]
        return all(matches)

    @dataclass
    class Config:
        """What the configuration gives; never shown."""

        username: str
        password: str = field(repr=False)
