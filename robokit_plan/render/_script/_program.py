"""Step program: a service that starts the robot's own program."""

# ruff: noqa: E501  shell text keeps its own lines

from __future__ import annotations

import re
import shlex

from robokit_plan.model import Plan

from ._words import UnsafeValueError, here_document

PROGRAM = r"""
# ---- program: a service that starts the robot's own program --------------------------------------

step_program() {
  placed=no
  place_text program_unit "/etc/systemd/system/$robot.service" 644
  if ! command -v systemctl >/dev/null; then return 0; fi
  if [ "$placed" = yes ] && [ "$dry_run" = no ] && systemd_runs; then systemctl daemon-reload; fi
  if [ "$lingers" = yes ] && [ "$user" != root ] && [ ! -e "/var/lib/systemd/linger/$user" ]; then
    if will "let the sound server of $user run without a login"; then
      note_ours files "/var/lib/systemd/linger/$user"
      mkdir -p -- /var/lib/systemd/linger
      : >"/var/lib/systemd/linger/$user"
    fi
  fi
  if [ "$autostart" = yes ]; then
    if [ "$(systemctl is-enabled -- "$robot.service" 2>/dev/null || :)" != enabled ]; then
      if will "start $robot.service at boot"; then systemctl enable -- "$robot.service"; fi
      attention "the program starts at the next boot, or now with: systemctl start $robot.service"
    fi
  else
    attention "the program can move or hurt and is not started by itself; when all is safe: systemctl enable --now $robot.service"
  fi
  if program_runs && [ "$changes" -gt 0 ]; then
    attention "the program still runs as it was before; when all is safe: systemctl restart $robot.service"
  fi
}
"""


def program_step(plan: Plan, program: str) -> str:
    """Return the step with the unit that runs *program* (systemd.service(5))."""
    try:
        words = shlex.split(program)
    except ValueError as error:
        raise UnsafeValueError("a program", program) from error
    if not words:
        raise UnsafeValueError("a program", program)
    command = " ".join(_systemd_word(one) for one in words)
    unit = [
        here_document("unit_start", _unit_start(plan)),
        here_document("unit_run", f"ExecStart=/usr/bin/env {command}\n"),
        here_document("unit_end", f"{_old_logs(plan)}\n[Install]\nWantedBy=multi-user.target\n"),
        "# Only the machine knows where things were put and for whom.",
        "program_unit() {",
        "  unit_start",
        "  printf 'User=%s\\n' \"$user\"",
        *(
            f"  printf 'Environment=\"{name}={form}\"\\n' {value}"
            for name, form, value in (
                ("PATH", "%s/venv/bin:/usr/local/bin:/usr/bin:/bin", '"$home"'),
                ("PYTHONPATH", "%s", '"$code"'),
                ("ROBOT_WIRING", "%s/wiring.json", '"$home"'),
                ("ROBOT_HOME", "%s", '"$home"'),
            )
        ),
        *(
            [
                '  uid=$(id -u -- "$user" 2>/dev/null) || uid=0',
                '  printf \'Environment="XDG_RUNTIME_DIR=/run/user/%s"\\n\' "$uid"',
            ]
            if plays_sound(plan)
            else []
        ),
        "  printf 'EnvironmentFile=-%s/environment\\n' \"$home\"",
        "  unit_run",
        "  unit_end",
        "}",
        "",
    ]
    return "\n".join([PROGRAM, *unit])


# A unit starts in a folder of its own, since some GPIO libraries make pipes where they stand.
# systemd.exec(5): StateDirectory=, LogsDirectory=; systemd.service(5): Restart=.
_UNIT_START = """\
# made by install.sh
[Unit]
Description=Program of the robot {robot}
Wants=network-online.target
After=network-online.target

[Service]
Type=exec
Restart=on-failure
RestartSec=5
StateDirectory={robot}
WorkingDirectory=/var/lib/{robot}
LogsDirectory={robot}
StandardOutput=append:/var/log/{robot}/{robot}.log
StandardError=inherit
"""


def _unit_start(plan: Plan) -> str:
    head = _UNIT_START.format(robot=plan.robot)
    units = _device_units(plan)
    if not units:
        return head
    lines = "".join(f"Wants={one}\nAfter={one}\n" for one in units)
    return head.replace("After=network-online.target\n", f"After=network-online.target\n{lines}")


def _old_logs(plan: Plan) -> str:
    """Return the line that keeps the logs of earlier starts, "" where none are wanted."""
    if plan.keep_logs < 1:
        # systemd makes the file as root, in a folder of the user's: it can go, not be emptied
        return f"ExecStartPre=-/bin/rm -f /var/log/{plan.robot}/{plan.robot}.log\n"
    log = f"{plan.robot}.log"
    moves = [
        f"mv -f {log}.{at} {log}.{at + 1} 2>/dev/null" for at in range(plan.keep_logs - 1, 0, -1)
    ]
    moves.append(f"mv -f {log} {log}.1")
    return (
        f'ExecStartPre=-/bin/sh -c "cd /var/log/{plan.robot} && test -s {log} || exit 0; '
        f'{"; ".join(moves)}"\n'
    )


def plays_sound(plan: Plan) -> bool:
    return any(one.section == "audio" for one in plan.assignments)


_PORT = re.compile(r"/dev/(?:serial/|tty|robokit/)[A-Za-z0-9_./:+@-]*", re.ASCII)


def _device_units(plan: Plan) -> list[str]:
    """
    Return the device units that the program waits for: serial ports, which udev tags for systemd.

    Source:
        systemd.unit(5), "String Escaping for Inclusion in Unit Names"; systemd's 99-systemd.rules.
    """
    paths = {
        one.device
        for one in plan.assignments
        if one.device
        and _PORT.fullmatch(one.device)
        # of other USB devices udev may make no unit, and the wait would last until it gives up
        and (one.section in {"controllers", "uart"} or one.controller is not None)
    }
    return [
        "".join(
            "-"
            if char == "/"
            else char
            if char.isalnum() or (char in ":_." and at)
            else f"\\x{ord(char):02x}"
            for at, char in enumerate(path.strip("/"))
        )
        + ".device"
        for path in sorted(paths)
    ]


def _systemd_word(word: str) -> str:
    """Return *word* as one quoted word of ``ExecStart=`` (systemd.service(5), "Command lines")."""
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{escaped}"'
