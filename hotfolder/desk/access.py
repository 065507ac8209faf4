"""Who may come in: the secret of the first address, and the sessions that it opens.

The secret stands in the address that the command prints. Whoever opens it gets a cookie, and from
then on the address bar has no secret in it. A cookie is sent to every port of a host, so its name
says which desk it is of.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import quote

FIRST_KEY: Final = "key"
"""The parameter of the first address that has the secret."""

_MOST_SESSIONS = 1000
_BYTES = 32
LASTS_S: Final = 7 * 86400
"""How long a cookie is kept, in seconds; it ends with the desk in any case."""


@dataclass(frozen=True)
class Visitor:
    """Somebody who has come in."""

    token: str
    """Stands in each of their forms, and nobody else's page can know it."""
    may_decide: bool


@dataclass
class Access:
    """The door of one desk."""

    scheme: str
    """``http`` or ``https``."""
    port: int
    names: tuple[str, ...]
    """Names under which it may be asked for, without port; the first is in its address."""
    may_decide: bool = True
    """Whether whoever comes in may decide; False: they only look."""
    secret: str = field(default_factory=lambda: secrets.token_urlsafe(_BYTES), repr=False)
    _instance: str = field(default_factory=lambda: secrets.token_hex(4))
    _sessions: OrderedDict[str, Visitor] = field(default_factory=OrderedDict, repr=False)

    @property
    def cookie(self) -> str:
        """Name of its cookie."""
        # the prefix makes browsers refuse one that another host or a page without TLS has set
        prefix = "__Host-" if self.scheme == "https" else ""
        return f"{prefix}hotfolder-desk-{self.port}-{self._instance}"

    @property
    def hosts(self) -> frozenset[str]:
        """What a request's ``Host`` may say."""
        usual = {"http": 80, "https": 443}[self.scheme]
        said = {f"{name}:{self.port}" for name in self.names}
        return frozenset(said | set(self.names) if self.port == usual else said)

    @property
    def origins(self) -> frozenset[str]:
        """What a request's ``Origin`` may say."""
        return frozenset(f"{self.scheme}://{host}" for host in self.hosts)

    @property
    def first_address(self) -> str:
        """The whole address, with the secret."""
        return f"{self.scheme}://{self.names[0]}:{self.port}/?{FIRST_KEY}={quote(self.secret)}"

    def is_secret(self, said: str) -> bool:
        """Whether that is the secret; takes as long whatever was said."""
        return hmac.compare_digest(said.encode("utf-8", "replace"), self.secret.encode())

    def open_session(self) -> str:
        """Let somebody in; return what their cookie is to say."""
        value = secrets.token_urlsafe(_BYTES)
        visitor = Visitor(secrets.token_urlsafe(_BYTES), self.may_decide)
        self._sessions[_hash(value)] = visitor
        while len(self._sessions) > _MOST_SESSIONS:
            self._sessions.popitem(last=False)
        return value

    def find_visitor(self, cookies: Iterable[str]) -> Visitor | None:
        """Return who has come in by one of these values of our cookie."""
        # looked up by a hash: how long it takes says nothing of a value that is nearly right
        found = (self._sessions.get(_hash(value)) for value in cookies)
        return next((each for each in found if each), None)


def is_token(visitor: Visitor, said: str) -> bool:
    """Whether a form carries the token of this visitor; takes as long whatever was said."""
    return hmac.compare_digest(said.encode("utf-8", "replace"), visitor.token.encode())


def _hash(value: str) -> str:
    return hashlib.sha256(value.encode("utf-8", "replace")).hexdigest()
