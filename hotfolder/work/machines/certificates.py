"""Certificates for the machines that work together: an authority of one's own, made here.

The authority signs a certificate for the daemon, one for the scheduler and one for each machine.
Whoever has the authority's key can make more, so it stays where it was made. A certificate says
what it is for: a machine takes orders from a daemon alone, and the daemon asks machines alone.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hotfolder.disk import durable
from hotfolder.errors import Problem, SettingsError
from hotfolder.work.machines.messages import MachineName
from hotfolder.work.machines.security import AUTHORITY, CERTIFICATE, KEY, Role

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
    from cryptography.hazmat.primitives.hashes import SHA256
    from cryptography.x509 import Certificate, CertificateBuilder, KeyUsage, Name

AUTHORITY_KEY: Final = "authority-key.pem"
_YEARS: Final = 10
_DAYS: Final = 365 * _YEARS
_OF_US: Final = ("daemon", "scheduler")


def make_certificates(folder: Path, names: list[str]) -> list[Path]:
    """Make what is not there yet: the authority, and a folder for each of us and each machine.

    Parameters
    ----------
    folder
        Where they go; is made. What is in it stays as it is, so that machines can be added.
    names
        Of machines: letters, digits, dots, hyphens and underscores.

    Returns
    -------
    The folders that were made, each with the three files that one machine needs.

    Raises
    ------
    SettingsError
        For a name that cannot be used, or an authority whose key is not there any more.
    """
    _check_names(names)
    folder.mkdir(0o700, parents=True, exist_ok=True)
    key, authority = _open_authority(folder)
    roles: dict[str, Role] = {"daemon": "daemon", "scheduler": "scheduler"}
    roles |= dict.fromkeys(names, "machine")
    made = []
    for name, role in roles.items():
        place = folder / name
        if (place / CERTIFICATE).exists():
            continue
        place.mkdir(0o700, exist_ok=True)
        _issue(place, name, role, key, authority)
        made.append(place)
    return made


def _check_names(names: list[str]) -> None:
    from pydantic import TypeAdapter, ValidationError

    for name in names:
        try:
            TypeAdapter(MachineName).validate_python(name)
        except ValidationError as error:
            allowed = "letters, digits, dots, hyphens and underscores; at most 64"
            raise SettingsError([Problem(name, "", "is no name", allowed)]) from error
        if name in _OF_US:
            allowed = "another one: daemon and scheduler have theirs anyway"
            raise SettingsError([Problem(name, "", "is no name for a machine", allowed)])


def _open_authority(folder: Path) -> tuple[EllipticCurvePrivateKey, Certificate]:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    there = [(folder / name).exists() for name in (AUTHORITY, AUTHORITY_KEY)]
    if all(there):
        try:
            key = load_pem_private_key((folder / AUTHORITY_KEY).read_bytes(), None)
            authority = x509.load_pem_x509_certificate((folder / AUTHORITY).read_bytes())
        except ValueError as error:
            got = f"its authority cannot be read: {error}"
            raise SettingsError([Problem(str(folder), "", got, "another folder")]) from error
        if isinstance(key, ec.EllipticCurvePrivateKey):
            return key, authority
    if any(there):
        allowed = f"both {AUTHORITY} and {AUTHORITY_KEY}, or another folder for a new authority"
        raise SettingsError([Problem(str(folder), "", "has half an authority", allowed)])
    key = ec.generate_private_key(ec.SECP256R1())
    name = _name("hotfolder machines", "authority")
    authority = (
        _builder(name, name, key)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_others=True), critical=True)
        .sign(key, _sha256())
    )
    _write_key(folder / AUTHORITY_KEY, key)
    _write_certificate(folder / AUTHORITY, authority)
    return key, authority


def _issue(
    place: Path, name: str, role: Role, by: EllipticCurvePrivateKey, authority: Certificate
) -> None:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID

    key = ec.generate_private_key(ec.SECP256R1())
    both = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH])
    certificate = (
        _builder(_name(name, role), authority.subject, key, by)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
        .add_extension(_usage(signs_others=False), critical=True)
        .add_extension(both, critical=False)
        .sign(by, _sha256())
    )
    (place / KEY).unlink(missing_ok=True)  # of a call that did not come to its certificate
    _write_certificate(place / AUTHORITY, authority)
    _write_key(place / KEY, key)
    _write_certificate(place / CERTIFICATE, certificate)


def _builder(
    subject: Name,
    issuer: Name,
    key: EllipticCurvePrivateKey,
    by: EllipticCurvePrivateKey | None = None,
) -> CertificateBuilder:
    from cryptography import x509

    now = datetime.now(UTC)
    signer = (by or key).public_key()
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))  # clocks of machines differ
        .not_valid_after(now + timedelta(days=_DAYS))
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(signer), critical=False)
    )


def _usage(*, signs_others: bool) -> KeyUsage:
    from cryptography import x509

    return x509.KeyUsage(
        digital_signature=not signs_others,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_others,
        crl_sign=signs_others,
        encipher_only=False,
        decipher_only=False,
    )


def _name(common: str, unit: str) -> Name:
    from cryptography import x509
    from cryptography.x509.oid import NameOID

    return x509.Name(
        [
            x509.NameAttribute(NameOID.COMMON_NAME, common),
            x509.NameAttribute(NameOID.ORGANIZATIONAL_UNIT_NAME, unit),
        ]
    )


def _sha256() -> SHA256:
    from cryptography.hazmat.primitives.hashes import SHA256

    return SHA256()


def _write_key(path: Path, key: EllipticCurvePrivateKey) -> None:
    from cryptography.hazmat.primitives.serialization import (
        Encoding,
        NoEncryption,
        PrivateFormat,
    )

    data = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        durable.write_all(file, data)
        os.fsync(file)
    finally:
        os.close(file)


def _write_certificate(path: Path, certificate: Certificate) -> None:
    from cryptography.hazmat.primitives.serialization import Encoding

    path.write_bytes(certificate.public_bytes(Encoding.PEM))


def read_name(folder: Path) -> str:
    """Return the name in the certificate of a folder: a machine is called so and not otherwise."""
    from cryptography import x509
    from cryptography.x509.oid import NameOID

    certificate = x509.load_pem_x509_certificate((folder / CERTIFICATE).read_bytes())
    (found,) = certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    return str(found.value)
