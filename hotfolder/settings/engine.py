"""The table ``[engine]`` of ``hotfolder.toml``: on which machines pictures are worked on."""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

from pydantic import Field, field_validator, model_validator

from hotfolder.model.destination import SettingsModel
from hotfolder.model.units import DurationS
from hotfolder.settings.notify import names_this_machine

_PREFIXES: Final = ("tls://", "tcp://")
_NEEDS_TLS: Final = (
    "without certificates only an address of this machine (tcp://127.0.0.1:8786): others could "
    "read every picture and give back any result; `hotfolder engine-certificates` makes them"
)


class EngineTable(SettingsModel):
    """The table ``[engine]``: on which machines pictures are worked on; changes no pixel."""

    kind: Literal["local", "dask"] = "local"
    """On this machine; or, with the extra `dask` installed, also on each machine on which
    `hotfolder worker` runs: config/MACHINES.md. Read when the daemon starts, as the whole table
    is."""
    address: str = ""
    """Where the scheduler is that such machines join: `"tls://desk.example.org:8786"`; without
    certificates only on this machine, `"tcp://127.0.0.1:8786"`."""
    certificates: str = ""
    """The folder of this machine's certificates, absolute or below the root; see
    `hotfolder engine-certificates`."""
    here: Literal["always", "when-needed"] = "always"
    """Whether this machine works on pictures too, or only when no other one can."""
    patience: DurationS = 15.0
    """How long a machine may be silent before its jobs are tried elsewhere."""
    machines: Annotated[int, Field(ge=1, le=1000)] = 100
    """How many machines are asked for work at most."""

    @field_validator("address")
    @classmethod
    def _check_address(cls, value: str) -> str:
        if value:
            split_address(value)
        return value

    @model_validator(mode="after")
    def _check_together(self) -> Self:
        if self.kind == "local":
            return self
        if not self.address:
            raise ValueError(
                'kind = "dask" needs the address of a scheduler: address = "tcp://127.0.0.1:8786"'
            )
        check_security(self.address, has_certificates=bool(self.certificates))
        return self


def split_address(address: str) -> tuple[str, str, int]:
    """Take an address apart.

    Parameters
    ----------
    address
        As in ``"tls://desk.example.org:8786"``.

    Returns
    -------
    Its protocol, ``"tls"`` or ``"tcp"``; the host; the port, 0 … 65535.

    Raises
    ------
    ValueError
        For anything else; says what is right.
    """
    prefix = next((each for each in _PREFIXES if address.startswith(each)), "")
    host, separator, port = address.removeprefix(prefix).rpartition(":")
    is_number = port.isascii() and port.isdecimal() and int(port) <= 65535
    is_host = bool(host) and not set(host) & set(" /@") and host.isprintable()
    if not (prefix and separator and is_number and is_host):
        raise ValueError('protocol, host and port, as in "tls://desk.example.org:8786"')
    return prefix.removesuffix("://"), host, int(port)


def check_security(address: str, *, has_certificates: bool) -> None:
    """Refuse what others could read along or give orders to.

    Raises
    ------
    ValueError
        For an address of another machine without certificates, and for a protocol that does not go
        with what there is.
    """
    protocol, host, _ = split_address(address)
    if has_certificates and protocol != "tls":
        raise ValueError("with certificates an address that begins with tls://")
    if not has_certificates and (protocol == "tls" or not names_this_machine(host)):
        raise ValueError(_NEEDS_TLS)
