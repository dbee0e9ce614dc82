"""
Settings of git that name a program, a path or an address, each with a command that heeds it.

Source: git-config(1), gitattributes(5), githooks(5) and git(1) of git 2.39.5, whose list
``git help --config`` prints. What is not installed with git itself (git-gui, git-send-email, gitweb,
imap-send) has no command here; its keys are among those that `every_key` lists.
"""

from __future__ import annotations

import ctypes
import os
import re
import struct
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

IDENTITY = ("-c", "user.name=builder", "-c", "user.email=builder@raft.example")


def git(folder: Path, *words: str, **environ: str) -> str:
    """Run git as the builder does, and return what it prints."""
    done = subprocess.run(
        ["git", *IDENTITY, *words],
        cwd=folder,
        check=True,
        capture_output=True,
        env={**os.environ, **environ},
    )
    return os.fsdecode(done.stdout).strip()


class Opened:
    """
    Notices every file of a folder that any process opens, to read it or to run it.

    Source: inotify(7), IN_OPEN.
    """

    def __init__(self, folder: Path) -> None:
        self._libc = ctypes.CDLL(None, use_errno=True)
        self._descriptor = self._libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        assert self._descriptor >= 0
        assert self._libc.inotify_add_watch(self._descriptor, bytes(folder), 0x20) >= 0

    def names(self) -> set[str]:
        """Return the names of what was opened since the last call."""
        found: set[str] = set()
        while True:
            try:
                events = os.read(self._descriptor, 1 << 16)
            except BlockingIOError:
                return found - {""}
            while events:
                length = struct.unpack_from("iIII", events)[3]
                found.add(os.fsdecode(events[16 : 16 + length].rstrip(b"\0")))
                events = events[16 + length :]

    def close(self) -> None:
        os.close(self._descriptor)


class Case(NamedTuple):
    """Settings whose values name the trap as ``{T}``, and a command that springs it."""

    key: str
    value: str
    command: Sequence[str]
    also: Sequence[tuple[str, str]] = ()
    stdin: str = ""
    tty: bool = False


FETCH = ("fetch", "origin")
_LOCAL = ("remote.origin.url", "{R}")
_HTTP = ("remote.origin.url", "http://127.0.0.1:9/x")
CASES = (
    # programs
    Case("core.fsmonitor", "{T}", ("status",)),
    Case("filter.e=vil.clean", "{T}", ("diff", "HEAD")),
    Case("filter.e=vil.process", "{T}", ("diff", "HEAD")),
    Case("filter.e=vil.smudge", "{T}", ("archive", "HEAD")),
    Case("diff.evil.textconv", "{T}", ("diff", "HEAD")),
    Case("diff.evil.command", "{T}", ("diff", "HEAD")),
    Case("diff.external", "{T}", ("diff", "HEAD", "--", "other")),
    Case("difftool.evil.cmd", "{T}", ("difftool", "-y", "-t", "evil", "HEAD")),
    Case("difftool.evil.path", "{T}", ("difftool", "-y", "-t", "evil", "HEAD"), [("difftool.evil.cmd", "{T}")]),
    Case("merge.evil.driver", "{T}", ("merge", "side"), [("core.attributesFile", "/dev/null")]),
    Case("core.pager", "{T}", ("log",), tty=True),
    Case("pager.log", "{T}", ("log",), tty=True),
    Case("interactive.diffFilter", "{T}", ("add", "-p"), [("color.diff", "always"), ("color.interactive", "always")], "q\n", tty=True),
    Case("core.editor", "{T}", ("commit", "--allow-empty")),
    Case("sequence.editor", "{T}", ("rebase", "-i", "--autostash", "--root")),
    Case("core.sshCommand", "{T}", FETCH, [("remote.origin.url", "ssh://127.0.0.1/x")]),
    Case("core.gitProxy", "{T}", FETCH, [("remote.origin.url", "git://127.0.0.1/x")]),
    Case("core.askPass", "{T}", ("credential", "fill"), stdin="protocol=https\nhost=h.example\n\n"),
    Case("credential.helper", "{T}", ("credential", "fill"), stdin="protocol=https\nhost=h.example\n\n"),
    Case("credential.https://h.example.helper", "{T}", ("credential", "fill"), stdin="protocol=https\nhost=h.example\n\n"),
    Case("gpg.program", "{T}", ("commit", "-S", "--allow-empty", "-m", "x")),
    Case("gpg.openpgp.program", "{T}", ("commit", "-S", "--allow-empty", "-m", "x")),
    Case("gpg.x509.program", "{T}", ("commit", "-S", "--allow-empty", "-m", "x"), [("gpg.format", "x509")]),
    Case("gpg.ssh.program", "{T}", ("commit", "-Skey", "--allow-empty", "-m", "x"), [("gpg.format", "ssh")]),
    Case("gpg.ssh.defaultKeyCommand", "{T}", ("commit", "-S", "--allow-empty", "-m", "x"), [("gpg.format", "ssh")]),
    Case("alias.evil", "!{T}", ("evil",)),
    Case("tar.evil.command", "{T}", ("archive", "--format=evil", "HEAD")),
    Case("trailer.evil.command", "{T}", ("interpret-trailers", "--trailer", "evil=x"), stdin="x\n"),
    Case("trailer.evil.cmd", "{T}", ("interpret-trailers", "--trailer", "evil=x"), stdin="x\n"),
    Case("remote.origin.uploadpack", "{T}", FETCH, [_LOCAL]),
    Case("remote.origin.receivepack", "{T}", ("push", "origin", "HEAD"), [_LOCAL]),
    Case("remote.origin.url", "ext::{T}", FETCH, [("protocol.ext.allow", "always")]),
    Case("remote.origin.pushurl", "ext::{T}", ("push", "origin", "HEAD"), [_LOCAL, ("protocol.ext.allow", "always")]),
    Case("url.ext::{T} x.insteadOf", "nice:", ("fetch", "nice:y"), [("protocol.ext.allow", "always")]),
    Case("remote.origin.promisor", "true", ("cat-file", "-p", "1" * 40), [("remote.origin.uploadpack", "{T}"), _LOCAL, ("core.repositoryFormatVersion", "1"), ("extensions.partialClone", "origin")]),
    Case("submodule.sub.update", "!{T}", ("-c", "protocol.file.allow=always", "submodule", "update", "--init"), [("submodule.sub.url", "{R}")]),
    Case("browser.evil.cmd", "{T}", ("web--browse", "-b", "evil", "x")),
    Case("man.evil.cmd", "{T}", ("help", "-m", "add"), [("man.viewer", "evil")]),
    # paths
    Case("core.hooksPath", "{D}", ("commit", "--allow-empty", "-m", "x")),
    Case("include.path", "{T}", ("config", "-l")),
    Case("includeIf.gitdir:/.path", "{T}", ("config", "-l")),
    Case("core.excludesFile", "{T}", ("status",)),
    Case("core.attributesFile", "{T}", ("diff", "HEAD")),
    Case("mailmap.file", "{T}", ("check-mailmap", "A <a@raft.example>")),
    Case("blame.ignoreRevsFile", "{T}", ("blame", "robot.yaml")),
    Case("commit.template", "{T}", ("commit", "--allow-empty")),
    Case("format.signatureFile", "{T}", ("format-patch", "-1", "--stdout")),
    Case("diff.orderFile", "{T}", ("diff", "HEAD~1", "HEAD")),
    Case("fsck.skipList", "{T}", ("fsck",)),
    Case("http.cookieFile", "{T}", FETCH, [_HTTP]),
    Case("http.sslCAInfo", "{T}", FETCH, [("remote.origin.url", "{S}")]),
    Case("http.sslCert", "{T}", FETCH, [("remote.origin.url", "{S}")]),
    # addresses
    Case("remote.origin.proxy", "{A}", FETCH, [("remote.origin.url", "http://h.example/x")]),
    Case("http.proxy", "{A}", FETCH, [("remote.origin.url", "http://h.example/x")]),
    Case("url.{A}.insteadOf", "nice:", ("fetch", "nice:y")),
    Case("fetch.bundleURI", "{A}", FETCH, [("remote.origin.url", "{A}")]),
)  # fmt: skip


def every_key() -> list[str]:
    """Return every key that the installed git documents, with names in place of ``<...>``."""
    listed = subprocess.run(
        ["git", "help", "--config"], check=True, capture_output=True, text=True
    ).stdout.split("\n")
    keys = [one.strip() for one in listed if re.fullmatch(r"[a-zA-Z0-9]+\..+", one.strip())]
    # One is documented, of gitweb, that no file can hold: a name with an underscore.
    keys = [one for one in keys if re.search(r"[.](?:[a-zA-Z0-9-]+|[<*].*)$", one)]
    assert len(keys) > 700, "git 2.39.5 lists 845 lines"
    names = {
        "filter": "e=vil", "branch": "main", "remote": "origin", "submodule": "sub", "diff": "evil",
    }  # fmt: skip
    return [re.sub(r"<[^>]*>|\*", names.get(one.split(".")[0], "evil"), one) for one in keys]


def config_text(settings: Sequence[tuple[str, str]]) -> str:
    """Return a configuration file (git-config(1), "Syntax")."""
    rows = []
    for key, value in settings:
        section, _, rest = key.partition(".")
        name, _, last = rest.rpartition(".")
        name = name.replace("\\", "\\\\").replace('"', '\\"')
        rows.append(f'[{section} "{name}"]\n' if name else f"[{section}]\n")
        rows.append('\t{} = "{}"\n'.format(last, value.replace('"', '\\"')))
    return "".join(rows)
