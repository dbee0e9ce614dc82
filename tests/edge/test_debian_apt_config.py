"""apt's own configuration, as its manual pages describe it."""

from __future__ import annotations

from pathlib import Path

import pytest

from robokit_plan.edge._debian_apt_config import (
    AptSettings,
    AptSource,
    certificates_for,
    parse_deb822_sources,
    parse_list,
    proxy_for,
    read_apt_settings,
    read_apt_sources,
    verifies_peer,
)


def test_one_line_style() -> None:
    """Entries as sources.list(5) shows them; deb-src, comments and broken lines give nothing."""
    text = """\
# a comment
deb http://mirror.example/debian bookworm main contrib  # and why
deb-src http://mirror.example/debian bookworm main
deb [ arch=amd64,armel signed-by=/usr/share/keyrings/a.gpg,/b.gpg trusted=yes ] https://b.example/x/ stable/
deb
deb http://alone.example/debian
"""
    assert parse_list(text) == [
        AptSource(
            uri="http://mirror.example/debian", suite="bookworm", components=("main", "contrib")
        ),
        AptSource(
            uri="https://b.example/x/",
            suite="stable/",
            components=(),
            signed_by="/usr/share/keyrings/a.gpg /b.gpg",
            trusted=True,
        ),
    ]


def test_deb822_style() -> None:
    """Each address with each suite; disabled entries and deb-src give nothing (sources.list(5))."""
    text = """\
Types: deb deb-src
URIs: http://a.example/debian
# a comment inside
  http://b.example/debian
Suites: bookworm bookworm-updates
Components: main
Signed-By:
 -----BEGIN PGP PUBLIC KEY BLOCK-----
 .
 mQENBF
 -----END PGP PUBLIC KEY BLOCK-----

Types: deb
URIs: http://c.example/debian
Suites: bookworm
Components: main
Enabled: no

Types: deb-src
URIs: http://d.example/debian
Suites: bookworm
Components: main
"""
    found = parse_deb822_sources(text)
    assert [(one.uri, one.suite) for one in found] == [
        ("http://a.example/debian", "bookworm"),
        ("http://a.example/debian", "bookworm-updates"),
        ("http://b.example/debian", "bookworm"),
        ("http://b.example/debian", "bookworm-updates"),
    ]
    assert found[0].signed_by.startswith("-----BEGIN PGP PUBLIC KEY BLOCK-----\n.\n")


def test_only_files_that_apt_reads(tmp_path: Path) -> None:
    """Names in sources.list.d end in .list or .sources and hold no odd letters (sources.list(5))."""
    folder = tmp_path / "sources.list.d"
    folder.mkdir()
    for name in ("b.list", "a.list", "c.list.disabled", "d e.list"):
        (folder / name).write_text(f"deb http://{name[0]}.example/debian trixie main\n")
    found = read_apt_sources(AptSettings(etc=tmp_path))
    assert [one.uri for one in found] == ["http://a.example/debian", "http://b.example/debian"]


def test_no_apt_here(tmp_path: Path) -> None:
    """A machine without apt: nothing, and no error."""
    settings = read_apt_settings({"PATH": str(tmp_path)})
    assert settings == AptSettings()
    assert read_apt_sources(settings) == ()


def test_dump_is_read(tmp_path: Path) -> None:
    """What ``apt-config dump`` says is taken; values keep their quotes inside."""
    program = tmp_path / "apt-config"
    program.write_text(
        "#!/bin/sh\necho 'Dir \"/x\";'\necho 'Dir::Etc \"etc/apt\";'\n"
        "echo 'Acquire::http::Proxy \"http://p.example:3142\";'\necho 'APT::Architectures:: \"arm64\";'\n"
    )
    program.chmod(0o755)
    settings = read_apt_settings({"PATH": f"{tmp_path}:/bin:/usr/bin"})
    assert settings.etc == Path("/x/etc/apt")
    assert settings.option("acquire::HTTP::proxy") == "http://p.example:3142"


@pytest.mark.parametrize(
    ("options", "environ", "url", "proxy"),
    [
        ({}, {}, "http://m.example/x", ""),
        (
            {"acquire::http::proxy": "http://p.example"},
            {},
            "http://m.example/x",
            "http://p.example",
        ),
        # apt-transport-https(1): the http setting serves https too, unless there is its own.
        ({"acquire::http::proxy": "http://p.example"}, {}, "https://m.example", "http://p.example"),
        (
            {"acquire::http::proxy": "http://p.example", "acquire::https::proxy": "DIRECT"},
            {"https_proxy": "http://e.example"},
            "https://m.example",
            "",
        ),
        (
            {
                "acquire::http::proxy::m.example": "DIRECT",
                "acquire::http::proxy": "http://p.example",
            },
            {},
            "http://m.example/x",
            "",
        ),
        ({}, {"http_proxy": "http://e.example"}, "http://m.example/x", "http://e.example"),
        ({}, {"HTTPS_PROXY": "http://e.example"}, "https://m.example", "http://e.example"),
        (
            {},
            {"https_proxy": "http://e.example", "no_proxy": "other.example,.example"},
            "https://m.example",
            "",
        ),
        ({}, {"https_proxy": "http://e.example", "NO_PROXY": "*"}, "https://m.example", ""),
    ],
)
def test_proxies(options: dict[str, str], environ: dict[str, str], url: str, proxy: str) -> None:
    """apt-transport-http(1) and apt-transport-https(1), then the environment."""
    assert proxy_for(url, AptSettings(options=options), environ) == proxy


def test_certificates() -> None:
    """apt's setting for the host, then in general, then the environment."""
    settings = AptSettings(
        options={
            "acquire::https::a.example::cainfo": "/a.pem",
            "acquire::https::cainfo": "/all.pem",
            "acquire::https::a.example::verify-peer": "false",
        }
    )
    assert certificates_for("https://a.example/x", settings, {}) == "/a.pem"
    assert certificates_for("https://b.example/x", settings, {}) == "/all.pem"
    assert certificates_for("https://b.example", AptSettings(), {"SSL_CERT_FILE": "/e"}) == "/e"
    assert certificates_for("https://b.example", AptSettings(), {}) == ""
    assert not verifies_peer("https://a.example", settings)
    assert verifies_peer("https://b.example", settings)
