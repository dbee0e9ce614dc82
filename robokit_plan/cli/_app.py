"""The table of commands; each command's own file is imported only when it is called."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence
from typing import Annotated, Any

import typer
from typer.core import TyperArgument, TyperCommand, TyperGroup

from robokit_plan.app.wrong_use import WrongUse
from robokit_plan.cli._failure import OK, WRONG_USE, asks_json, status_of

COMMANDS = {
    "check": "plan everything and print the findings; writes nothing",
    "lock": "write the lock file",
    "enable": "show what enabling plugins changes, ask, then do it",
    "disable": "show what disabling plugins changes, ask, then do it",
    "diff": "install diff between lock files, robot files, profiles or git revisions",
    "lint": "check manifests and robot files without network",
    "script": "write the install script from the lock file",
    "card": "a folder for a fresh card: script, lock file, code, first start",
    "verify": "compare this machine with the lock file; changes nothing",
    "wiring": "who connects what to which header position",
    "report": "one HTML page that shows the whole plan",
    "suggest": "what still fits, and which plugins go together",
    "new": "start a plugin folder with a commented manifest",
    "boards": "the known boards",
    "parts": "the known parts",
    "rules": "every rule with reason, example and repair",
}
"""Name -> one line for the list of commands; order is the order of a builder's day."""

_HELP = """Plan a modular robot before it is touched: what installs, what fits, what collides.

Every COMMAND takes --robot PATH (a robot file or its folder; default: the nearest robot.yaml
from here upward), --profile NAME and --json. COMMAND --help shows examples.

Exit status: 0 no error-level finding, 1 error-level findings, 2 wrong use or unreadable input,
3 something outside failed, 130 stopped by Ctrl-C.
"""


_WORDS = {
    "--help": "show this help",
    "--install-completion": "have this shell (bash, zsh, fish) complete commands and names",
    "--show-completion": "print what --install-completion adds",
}
"""What options that typer brings do, in words like those of the others."""


def _write_options(command: Any, ctx: Any, formatter: Any) -> None:
    """Write what *command* takes, arguments by the builder's word for them alone."""
    arguments, options = [], []
    for param in command.get_params(ctx):
        if isinstance(param, TyperArgument):
            arguments.append((param.metavar or param.name, param.help or ""))
        elif (record := param.get_help_record(ctx)) is not None:
            words = next((_WORDS[one] for one in param.opts if one in _WORDS), record[1])
            options.append((record[0], words))
    for title, rows in (("Arguments", arguments), ("Options", options)):
        if rows:
            with formatter.section(title):
                formatter.write_dl(rows)


class _Command(TyperCommand):
    """A command whose help speaks to builders."""

    def format_options(self, ctx: Any, formatter: Any) -> None:
        _write_options(self, ctx, formatter)


class _Commands(TyperGroup):
    """A group that imports a command when it is asked for, and not before."""

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002  typer's signature
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ARG002  typer's signature
        if cmd_name not in COMMANDS:
            return None
        return _command(cmd_name)

    def format_options(self, ctx: Any, formatter: Any) -> None:
        _write_options(self, ctx, formatter)
        self.format_commands(ctx, formatter)

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002  typer's signature
        # The list needs one line a command, not every command's module.
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            from robokit_plan.model import near_names

            near = near_names(name, COMMANDS, 1)
            hint = f"; nearest: {near[0]}" if near else ""
            ctx.fail(f"no command is called {name!r}{hint} (robokit-plan --help lists them)")
        return super().resolve_command(ctx, args)


def _command(name: str) -> Any:
    """Return the command that typer makes of the function in ``cli/NAME.py``."""
    module = importlib.import_module(f"robokit_plan.cli.{name}")
    app = typer.Typer(
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings=_CONTEXT,
    )
    app.command(name, cls=_Command, help=module.__doc__, context_settings=_CONTEXT)(
        getattr(module, name)
    )
    command = typer.main.get_command(app)
    command.name = name
    return command


_CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


def _version(asked: bool) -> None:
    if asked:
        from robokit_plan._version import __version__

        typer.echo(f"robokit-plan {__version__}")
        raise typer.Exit


def application() -> typer.Typer:
    """Return the whole command line."""
    app = typer.Typer(
        name="robokit-plan",
        cls=_Commands,
        help=_HELP,
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings=_CONTEXT,
    )

    @app.callback()
    def _root(
        version: Annotated[
            bool,
            typer.Option("--version", is_eager=True, callback=_version, help="print the version"),
        ] = False,
    ) -> None:
        pass

    return app


def run(arguments: Sequence[str]) -> int:
    """Return the exit status of one call."""
    return status_of(lambda: _called(list(arguments)), json=asks_json(arguments))


def _called(arguments: list[str]) -> None:
    """
    Leave with the status of the call.

    Raises:
        WrongUse: What was typed is not known, where JSON is asked for; else it is told here.
    """
    command = typer.main.get_command(application())
    try:
        status = command(arguments, prog_name="robokit-plan", standalone_mode=False)
    except typer.Abort:
        sys.exit(WRONG_USE)
    except Exception as error:
        # What was typed is wrong, or nothing was; older releases of typer have another class.
        if not hasattr(error, "format_message"):
            raise
        if asks_json(arguments):
            raise _wrong_use(error) from error
        error.show()  # type: ignore[attr-defined]
        sys.exit(WRONG_USE)
    sys.exit(status if isinstance(status, int) else OK)


def _wrong_use(error: Any) -> WrongUse:
    ctx = getattr(error, "ctx", None)
    path = "robokit-plan" if ctx is None else ctx.command_path
    return WrongUse(
        error.format_message(),
        why="" if ctx is None else " ".join(ctx.get_usage().split()),
        repair=(f"{path} --help",),
    )
