"""The tables ``[notify]`` of ``hotfolder.toml``: what people are told, how, and when."""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Final, Literal, Self
from urllib.parse import SplitResult, urlsplit

from pydantic import Field, StringConstraints, field_validator, model_validator

from hotfolder.model.destination import SettingsModel
from hotfolder.model.hours import ClockText, HoursText
from hotfolder.model.units import DurationS

About = Literal["held", "batch", "away", "trouble", "medium"]
"""What there is to be told; `hotfolder.notify.matters` says what each of them is."""

_ENDS: Final = frozenset({"held", "delivered", "refused"})
_PORTS: Final = {"tls": 465, "starttls": 587, "none": 25}
_ADDRESS = re.compile(r"[^\s@<>,;:\"()\\]+@[^\s@<>,;:\"()\\]+")
_HOST = re.compile(r"[^\s/@\x00-\x1f\x7f]+")
_UNSEEN = re.compile(r"[\x00-\x20\x7f]")

Name = Annotated[str, StringConstraints(min_length=1, max_length=1000)]


class MailTable(SettingsModel):
    """The table ``[notify.mail]``: mail by your own server, over SMTP."""

    host: Name
    """The server's name or address."""
    port: Annotated[int | None, Field(ge=1, le=65535)] = None
    """Its port; when it is not set, 465 with tls, 587 with starttls, 25 with none."""
    security: Literal["tls", "starttls", "none"] = "starttls"
    """How the connection is encrypted; none only for a server on this machine."""
    certificates: str | None = None
    """A PEM file with the authorities that are believed; the system's, when it is not set."""
    sender: str
    """The address that the mail comes from."""
    to: Annotated[tuple[str, ...], Field(min_length=1, max_length=20)]
    """The addresses that it goes to."""
    user: str = ""
    """The name to log in with; no log-in, when it is empty."""
    password_file: str | None = None
    """A file whose first line is the password; absolute, or below the root."""
    password_env: str | None = None
    """The environment variable that has the password, instead of a file."""

    @property
    def port_used(self) -> int:
        """The port that is connected to."""
        return self.port or _PORTS[self.security]

    @field_validator("host")
    @classmethod
    def _check_host(cls, value: str) -> str:
        if not _HOST.fullmatch(value):
            raise ValueError('a name or an address, as in "mail.example.org"; the port is a key')
        return value

    @field_validator("sender")
    @classmethod
    def _check_sender(cls, value: str) -> str:
        if not _ADDRESS.fullmatch(value):
            raise ValueError('one address without a name, as in "desk@example.org"')
        return value

    @field_validator("to")
    @classmethod
    def _check_to(cls, values: tuple[str, ...]) -> tuple[str, ...]:
        if not all(_ADDRESS.fullmatch(each) for each in values):
            raise ValueError('addresses without names, as in ["anna@example.org"]')
        return values

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        if self.security == "none" and not names_this_machine(self.host):
            raise ValueError(
                'security = "none" only for a server on this machine (127.0.0.1, ::1, localhost): '
                "others could read along"
            )
        has_password = _check_secret(self.password_file, self.password_env, "password")
        if has_password != bool(self.user):
            raise ValueError("user, and password_file or password_env: all of it, or none")
        return self


class WebhookTable(SettingsModel):
    """The table ``[notify.webhook]``: a signed POST to an address; config/WEBHOOK.md has its form.

    Its address may be a secret itself: no message of ours repeats more of it than the host.
    """

    url: Name
    """Where it is sent to: https, or http on this machine."""
    plain_http: bool = False
    """Whether http is allowed also to another machine, where others can read along."""
    certificates: str | None = None
    """A PEM file with the authorities that are believed; the system's, when it is not set."""
    secret_file: str | None = None
    """A file whose first line is the secret that signs; absolute, or below the root."""
    secret_env: str | None = None
    """The environment variable that has the secret, instead of a file."""
    each_end: bool = False
    """Whether it is told each picture as it ends: delivered and refused ones as well as held ones,
    whatever `about` says. What does not fit into one message comes in the next."""

    @property
    def parts(self) -> SplitResult:
        """Its address, taken apart."""
        return urlsplit(self.url)

    # not of the field itself: a message about a field repeats its value
    @model_validator(mode="after")
    def _check_together(self) -> Self:
        if not is_http(self.url):
            raise ValueError(
                "url: an address that begins with https:// or http://, as in "
                '"https://example.org/hook", without a user, a password or a fragment'
            )
        is_plain = self.parts.scheme.lower() == "http"
        if is_plain and not self.plain_http and not names_this_machine(self.parts.hostname or ""):
            raise ValueError(
                "url: https; or plain_http = true, if you know that nobody reads along on the way"
            )
        if not _check_secret(self.secret_file, self.secret_env, "secret"):
            raise ValueError("secret_file or secret_env: without a secret nothing can be signed")
        return self


class NotifyTable(SettingsModel):
    """The table ``[notify]``: who is told, and when, while `hotfolder watch` serves the root.

    Nobody is told anything unless [notify.mail] or [notify.webhook] is there.
    """

    about: Annotated[tuple[About, ...], Field(min_length=1)] = (
        "held",
        "batch",
        "away",
        "trouble",
        "medium",
    )
    """What is told: held pictures, batches that have ended, folders that are away, trouble with our
    own disk or settings, and a medium that has drifted or is out of its limits by a measured strip,
    once when that begins and once when it is good again; all five, when it is not set."""
    gather: DurationS = 120.0
    """How long more is waited for after the first: what comes meanwhile is in the same message."""
    apart: DurationS = 600.0
    """The least time between two messages; what comes meanwhile is in the second."""
    hours: HoursText | None = None
    """When messages are sent, in local time ("07:00-21:00"); what comes at other times is sent when
    they begin. At any time, when it is not set."""
    digest: ClockText | None = None
    """When once a day everything that waits, was delivered with warnings, or has ended is put into
    one message, in local time ("07:30"); never, when it is not set. None is sent about nothing."""
    mail: MailTable | None = None
    """Mail by your own server."""
    webhook: WebhookTable | None = None
    """A message to a program of yours."""

    @property
    def ways(self) -> dict[str, MailTable | WebhookTable]:
        """The ways by which people are told, by name."""
        both = {"mail": self.mail, "webhook": self.webhook}
        return {name: each for name, each in both.items() if each is not None}

    def kinds_for(self, way: MailTable | WebhookTable) -> frozenset[str]:
        """What a way is told."""
        back = {"medium-back"} if "medium" in self.about else set[str]()
        return frozenset(self.about) | back | (_ENDS if is_told_each_end(way) else frozenset())


def is_told_each_end(way: MailTable | WebhookTable) -> bool:
    """Whether a way is told each picture as it ends."""
    return isinstance(way, WebhookTable) and way.each_end


def names_this_machine(host: str) -> bool:
    """Whether a host is written as one that only this machine has."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def is_http(url: str) -> bool:
    """Whether that is an address that can be posted to."""
    try:
        parts = urlsplit(url)
        _ = parts.port  # raises when it is no number
    except ValueError:
        return False
    is_complete = parts.scheme.lower() in {"http", "https"} and bool(parts.hostname)
    has_user = "@" in parts.netloc
    return is_complete and not has_user and not parts.fragment and not _UNSEEN.search(url)


def _check_secret(file: str | None, variable: str | None, what: str) -> bool:
    if file and variable:
        raise ValueError(f"{what}_file or {what}_env, not both")
    return bool(file or variable)
