"""Who may speak to whom: certificates of one's own authority, and what each of them is for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from hotfolder.errors import Problem, SettingsError
from hotfolder.settings.engine import check_security

if TYPE_CHECKING:
    from distributed.security import Security

AUTHORITY: Final = "authority.pem"
CERTIFICATE: Final = "certificate.pem"
KEY: Final = "key.pem"
FILES: Final = (AUTHORITY, CERTIFICATE, KEY)

Role = Literal["daemon", "scheduler", "machine"]
"""What a certificate is for; stands in it as its organisational unit."""


@dataclass(frozen=True)
class Peer:
    """Whom a connection leads to, by its certificate."""

    name: str
    """Of the machine."""
    role: str


def find_missing(folder: Path) -> list[str]:
    """Return what is missing of a folder of certificates, by name."""
    return [name for name in FILES if not (folder / name).is_file()]


def load_security(address: str, certificates: Path | None) -> Security:
    """Return what the library needs to know, for an address that may be used with it.

    Raises
    ------
    SettingsError
        When another machine would be reached without certificates, or files of them are missing.
    """
    try:
        check_security(address, has_certificates=certificates is not None)
    except ValueError as error:
        raise SettingsError([Problem(address, "", "cannot be used", str(error))]) from error
    import ssl

    from distributed.security import Security

    if certificates is None:
        return Security(require_encryption=False)
    missing = find_missing(certificates)
    if missing:
        allowed = f"{', '.join(missing)} in it, made by `hotfolder engine-certificates`"
        raise SettingsError([Problem(str(certificates), "", "has no certificates", allowed)])
    own = {"cert": str(certificates / CERTIFICATE), "key": str(certificates / KEY)}
    files = {
        f"tls_{role}_{what}": path
        for role in ("client", "scheduler", "worker")
        for what, path in own.items()
    }
    return Security(
        require_encryption=True,
        tls_ca_file=str(certificates / AUTHORITY),
        tls_min_version=ssl.TLSVersion.TLSv1_3,
        **files,
    )


def read_peer(extra: Mapping[str, object]) -> Peer | None:
    """Read whom a connection leads to; None without TLS.

    Parameters
    ----------
    extra
        The ``extra_info`` of the library's connection.
    """
    certificate = extra.get("peercert")
    if not isinstance(certificate, Mapping) or not certificate:
        return None
    subject = {key: value for part in certificate.get("subject", ()) for key, value in part}
    return Peer(subject.get("commonName", ""), subject.get("organizationalUnitName", ""))
