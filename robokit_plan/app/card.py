"""What ``card`` does: a folder for a fresh card, of the lock file and the robot's own files."""

from __future__ import annotations

import os
import shlex
import shutil
import tempfile
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple

from robokit_plan.app.card_built import carry_builds
from robokit_plan.app.listener import NOBODY, Listener
from robokit_plan.app.locked import check_locked, read_locked
from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.edge.cache import cache_file
from robokit_plan.edge.card_files import (
    MAX_FILE,
    UnfitForCard,
    fetch_bundle,
    folder_hashes,
    robot_files,
    swap_folder,
    write_archive,
)
from robokit_plan.edge.files import read_text
from robokit_plan.edge.ordinary import read_bytes
from robokit_plan.edge.reading import find_robot_file
from robokit_plan.edge.robots import parse_robot
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.render import (
    card_name,
    render_builds,
    render_card,
    render_script,
    render_sums,
    union_of,
)


class Cargo(NamedTuple):
    """
    What the card carries besides.

    `offline`: every file; `built`: folders of wheels that a robot of this kind built; `archive`:
    the folder as one file as well.
    """

    offline: bool = False
    built: tuple[Path, ...] = ()
    archive: bool = False


def card(
    robot: Path | None = None,
    cargo: Cargo = Cargo(),  # noqa: B008  a value that nobody changes
    listener: Listener = NOBODY,
    *,
    profile: str | None = None,
    also: Sequence[str] = (),
    out: Path | None = None,
) -> str:
    """
    Write the folder, and return the page that says what to do with it.

    Args:
        robot: Robot file or its folder; None: the nearest from here upward.
        cargo: What it carries.
        listener: Told what is written, and how far the work is.
        profile: Whose lock file; None: the robot's own.
        also: Further profiles that the machine can switch to.
        out: Where the folder is made; None: the robot's own.

    Raises:
        UnreadableFile: A file cannot be read.
        WrongUse: A lock file is missing, or what is carried cannot be used.
        CannotWrite, IndexTrouble: A file cannot be written, or fetched.
    """
    offline, built, archive = cargo
    if built and not offline:
        raise WrongUse(
            "what a robot has built is carried by an offline card",
            why="--built is typed without --offline",
            repair=(f"robokit-plan card --offline --built {shlex.quote(str(built[0]))}",),
        )
    root, locked = read_locked(robot, profile, also, what="the card")
    plan = union_of(locked)
    file = find_robot_file(robot)
    parsed, findings = parse_robot(read_text(file, file.name), file.name)
    if parsed is None:
        raise UnreadableFile(findings)
    if offline and not plan.debian_known:
        raise WrongUse(
            "the lock file knows no Debian packages, so not every file is known",
            repair=("system: {mirror: ADDRESS}   in robot.yaml", "robokit-plan lock"),
        )
    base = root if out is None else out
    if not base.is_dir():
        raise WrongUse(f"{base} is not a folder", repair=(f"mkdir -p {base}",))
    place = base / card_name(plan)
    # a name that nobody can guess: a stranger's folder may hold links
    new = Path(tempfile.mkdtemp(dir=base, prefix=f".{place.name}.", suffix=".new"))
    try:
        code = new / "robot"
        manifests = {}
        for where, source in robot_files(root, without=built):
            target = code / where
            target.parent.mkdir(parents=True, exist_ok=True)
            content = read_bytes(source, MAX_FILE)
            target.write_bytes(content)
            if where == file.name or source.name == "manifest.yaml":
                manifests[where] = sha256(content).hexdigest()
        first, *others = locked
        script = render_script(
            first.plan, lock_name=first.name, lock_sha256=first.sha256, also=others
        )
        (code / "install.sh").write_text(script, encoding="utf-8")
        # before anything is fetched, since a wrong folder is soon told
        builds = carry_builds(plan, built, new / "packages")
        if offline:
            fetch_bundle(
                plan, parsed, new / "packages", environ=os.environ,
                kept=place / "packages", cache=cache_file(os.environ).parent / "card",
                progress=listener.step,
            )  # fmt: skip
        size = sum(one.stat().st_size for one in new.rglob("*") if one.is_file())
        texts = render_card(locked, offline=offline, manifests=manifests, size=size, builds=builds)
        for name, text in texts.items():
            (new / name).write_text(text, encoding="utf-8")
        (new / "SHA256SUMS").write_text(render_sums(folder_hashes(new)), encoding="utf-8")
        for one in (new, *new.rglob("*")):
            one.chmod(0o755 if one.is_dir() or one.suffix == ".sh" else 0o644)
        check_locked(root, locked)
        swap_folder(new, place, mark="SHA256SUMS")
    except UnfitForCard as error:
        raise WrongUse(str(error)) from error
    finally:
        shutil.rmtree(new, ignore_errors=True)
    if built:
        listener.tell(render_builds(builds))
    listener.tell(f"wrote {place}")
    if archive:
        bundle = place.with_name(f"{place.name}.tar")
        write_archive(place, bundle)
        listener.tell(f"wrote {bundle}")
    return texts["READ-ME.md"]
