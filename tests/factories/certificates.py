"""A certificate that signs itself, and its key."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec


def certified(
    folder: Path, *, name: str = "localhost", address: str = "", passphrase: bytes = b""
) -> tuple[Path, Path]:
    """The files of a certificate for a name, or an IP address, and of its key, which is for its
    owner alone and locked with the passphrase, if any."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, address or name)])
    meant = x509.IPAddress(ip_address(address)) if address else x509.DNSName(name)
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([meant]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    lock: serialization.KeySerializationEncryption = (
        serialization.BestAvailableEncryption(passphrase)
        if passphrase
        else serialization.NoEncryption()
    )
    pem = serialization.Encoding.PEM
    cert_file, key_file = folder / "cert.pem", folder / "key.pem"
    cert_file.write_bytes(certificate.public_bytes(pem))
    key_file.touch(0o600)
    key_file.write_bytes(key.private_bytes(pem, serialization.PrivateFormat.PKCS8, lock))
    return cert_file, key_file
