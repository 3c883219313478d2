"""The commands as a group of click: each is imported when it is used; names that are near a wrong one are suggested."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib import import_module

import click
from click.shell_completion import CompletionItem

from bench.cli.options import refuse_repeated

_WIDEST = 120  # columns of a page of help, in a terminal that has them


class CommandGroup(click.Group):
    """The group `makebreak`, from names and what each does in a line; `bench/cli/<name>.py` holds a command under the name `command`."""

    def __init__(self, said: Mapping[str, str]) -> None:
        version = click.Option(["--version"], is_flag=True, help="Show the version.")  # named here to be completed and suggested
        super().__init__("makebreak", params=[version])
        self._said = said

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self._said)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self._said:
            return None
        command: click.Command = import_module(f"bench.cli.{cmd_name}").command
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem[str]]:
        """Return the names that begin so, without importing any command."""
        if incomplete.startswith("-"):
            return super().shell_complete(ctx, incomplete)
        return [CompletionItem(name, help=text) for name, text in self._said.items() if name.startswith(incomplete)]

    def carry_out(self, arguments: Sequence[str]) -> object:
        """Return what the command named first returns. Exceptions of click for what can't be carried out, of the command for the rest.

        Not `main`, nor `invoke`: these would leave with exit codes of their own (1 on a broken pipe), or let an option stand twice.
        """
        with click.Context(self, info_name="makebreak", max_content_width=_WIDEST) as context:
            name, command, rest = self._resolved(context, list(arguments))
            with command.make_context(name, list(rest), parent=context) as own:
                refuse_repeated(own, rest)
                return command.invoke(own)

    def _resolved(self, context: click.Context, arguments: list[str]) -> tuple[str, click.Command, list[str]]:
        try:
            name, command, rest = self.resolve_command(context, arguments)
        except click.NoSuchCommand as error:
            raise click.NoSuchCommand(error.command_name, possibilities=self._said, ctx=context) from None
        assert name is not None and command is not None, "only a resilient context resolves to nothing"
        return name, command, rest


def usage_text(error: click.ClickException, doing: str) -> str:
    """Return a refusal in one line of this program's words: what was being done, what is wrong, what may have been meant, where to look."""
    text = _wrong_text(error)
    if near := sorted(getattr(error, "possibilities", None) or ()):
        text += f"; did you mean {' or '.join(near)}?"
    return f"{doing}: {text} ({doing} --help shows how)" if isinstance(error, click.UsageError) else f"{doing}: {text}"


def _wrong_text(error: click.ClickException) -> str:
    match error:
        case click.NoSuchCommand(command_name=name):
            return f"there is no command {name!r}"
        case click.NoSuchOption(option_name=name):
            return f"there is no option {name}"
        case click.MissingParameter(param=param, param_hint=hint):
            return f"{hint or (param.human_readable_name if param is not None else 'a value')} is missing"
        case click.BadParameter(param=param, param_hint=hint, ctx=context, message=message):
            hint = hint if hint or param is None else param.get_error_hint(context)
            where = hint if isinstance(hint, str) else "/".join(hint or ())
            return f"{where.replace(chr(39), '')}: {_uncapped(message)}" if where else _uncapped(message)
    return _uncapped(error.format_message())


def _uncapped(message: str) -> str:
    """Return a sentence as it stands behind a colon: click begins its own with a capital and ends them with a full stop."""
    first, rest = message[:1], message[1:]
    return f"{first.lower() if not rest[:1].isupper() else first}{rest}".removesuffix(".")
