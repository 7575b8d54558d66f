"""A certificate authority for one test run: made in a temporary folder, and gone with it."""

from __future__ import annotations

import datetime
import ipaddress
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


class Authority:
    """Signs certificates for a broker and its clients."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "test authority")])
        made = self._builder(self._name, self._key).add_extension(
            x509.BasicConstraints(ca=True, path_length=0), critical=True,
        ).sign(self._key, hashes.SHA256())
        self.ca = folder / "ca.pem"
        self.ca.write_bytes(made.public_bytes(serialization.Encoding.PEM))

    def _builder(
        self, subject: x509.Name, key: ec.EllipticCurvePrivateKey, days: int = 1,
    ) -> x509.CertificateBuilder:
        now = datetime.datetime.now(datetime.UTC)
        return (
            x509.CertificateBuilder().subject_name(subject).issuer_name(self._name)
            .public_key(key.public_key()).serial_number(x509.random_serial_number())
            .not_valid_before(now + datetime.timedelta(days=min(days, 0), hours=-1))
            .not_valid_after(now + datetime.timedelta(days=days))
        )

    def issue(
        self, name: str, *, address: str = "127.0.0.1", days: int = 1,
    ) -> tuple[Path, Path]:
        """Return certificate and key of ``name``, valid for the address, for so many days."""
        certificate, key_file = self.folder / f"{name}.pem", self.folder / f"{name}.key"
        if certificate.exists():
            return certificate, key_file
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        made = self._builder(subject, key, days).add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(address))]),
            critical=False,
        ).sign(self._key, hashes.SHA256())
        certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))
        key_file.write_bytes(key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption()))
        return certificate, key_file
