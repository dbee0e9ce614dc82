"""A certificate for the loopback that nobody but its test knows."""

from __future__ import annotations

import shutil
import ssl
import subprocess
from pathlib import Path

import pytest

NEEDS_OPENSSL = pytest.mark.skipif(
    shutil.which("openssl") is None, reason="openssl makes the certificate"
)


def made_certificate(folder: Path) -> Path:
    """Return a file with a certificate for 127.0.0.1; ``all.pem`` beside it holds the key too."""
    options = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    names = ["-subj", "/CN=test", "-addext", "subjectAltName=IP:127.0.0.1"]
    files = ["-keyout", str(folder / "all.pem"), "-out", str(folder / "certificate.pem")]
    command = ["openssl", "req", "-x509", "-days", "2", *options, *names, *files]
    subprocess.run(command, check=True, capture_output=True)
    with (folder / "all.pem").open("ab") as both:
        both.write((folder / "certificate.pem").read_bytes())
    return folder / "certificate.pem"


def server_context(certificate: Path) -> ssl.SSLContext:
    """Return what a server with *certificate* needs."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate.with_name("all.pem"))
    return context
