"""Make a folder for a fresh card: script, lock file, the robot's code, first start, a page.

The folder card-NAME/ goes onto the boot partition of a fresh image; READ-ME.md in it says how, in
five steps. With --offline it carries every file, and the robot needs no network; with --built as
well what a robot of the same kind has built already (a copy of its /opt/ROBOT/built). With --also
it carries further profiles, which the robot switches to without installing anything.

Examples:

  robokit-plan card

  robokit-plan card --offline --archive

  robokit-plan card --offline --built built

  robokit-plan card --also bench --also show
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from robokit_plan.cli._options import AlsoOption, ProfileOption, RobotOption


def card(
    robot: RobotOption = None,
    profile: ProfileOption = None,
    also: AlsoOption = None,
    offline: Annotated[
        bool, typer.Option("--offline", help="fetch every file, so that the robot need not")
    ] = False,
    built: Annotated[
        list[Path] | None,
        typer.Option(
            "--built",
            metavar="FOLDER",
            help="with --offline: wheels that a robot of this kind built, its /opt/ROBOT/built",
        ),
    ] = None,
    archive: Annotated[
        bool, typer.Option("--archive", help="write the folder as card-NAME.tar as well")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FOLDER", help="where the folder is made: the robot's own"),
    ] = None,
) -> None:
    """Write the card."""
    import os
    import shlex
    import shutil
    import tempfile
    from hashlib import sha256

    from robokit_plan.cli._card_built import carry_builds
    from robokit_plan.cli._failure import WrongUse
    from robokit_plan.cli._locked import check_locked, read_locked
    from robokit_plan.cli._terminal import Progress, show, tell
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

    if built and not offline:
        raise WrongUse(
            "what a robot has built is carried by an offline card",
            why="--built is typed without --offline",
            repair=(f"robokit-plan card --offline --built {shlex.quote(str(built[0]))}",),
        )
    root, locked = read_locked(robot, profile, also or (), what="the card")
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
        for where, source in robot_files(root, without=built or ()):
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
        builds = carry_builds(plan, built or (), new / "packages")
        if offline:
            with Progress("fetching the files") as progress:
                fetch_bundle(
                    plan, parsed, new / "packages", environ=os.environ,
                    kept=place / "packages", cache=cache_file(os.environ).parent / "card",
                    progress=progress.step,
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
        tell(render_builds(builds))
    tell(f"wrote {place}")
    if archive:
        bundle = place.with_name(f"{place.name}.tar")
        write_archive(place, bundle)
        tell(f"wrote {bundle}")
    show((place / "READ-ME.md").read_text("utf-8"))
    raise typer.Exit(0)
