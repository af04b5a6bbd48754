"""The commands about what comes along: sequences, schemas of files, completion of shells."""

from pathlib import Path

import click

from sequencer.cli.console import json_option, print_json

__all__ = ["completion_command", "schema_command", "sequences_command"]


@click.command("sequences")
@click.option("--copy-to", "folder", type=click.Path(path_type=Path), help="Copy them, type sheets and benches here.")
@json_option
def sequences_command(folder: Path | None, *, as_json: bool) -> None:
    """List the sequences, type sheets and benches that come along, or copy them.

    \b
    Example:
      livezero sequences --copy-to my-sequences
    """
    from sequencer import core  # noqa: PLC0415

    if folder is not None:
        copied = core.copy_shipped(folder)
        click.echo(f"{len(copied)} files copied to {folder}", err=True)
    names = core.shipped_names()
    if as_json:
        print_json(names)
        return
    for kind, entries in names.items():
        click.echo(f"{kind}:")
        for name, title in entries.items():
            click.echo(f"  {name:28} {title}")


@click.command("schema")
@click.argument(
    "kind", type=click.Choice(["sequence", "type", "bench", "instrument", "certificate", "order", "template"])
)
def schema_command(kind: str) -> None:
    """Print the JSON Schema of a kind of file, for an editor.

    \b
    Example:
      livezero schema sequence > sequence.schema.json
    """
    from sequencer import core  # noqa: PLC0415

    print_json(core.schema(kind))


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@click.pass_context
def completion_command(ctx: click.Context, shell: str) -> None:
    """Print the completion script of a shell.

    \b
    Example, for bash:
      eval "$(livezero completion bash)"
    """
    from click.shell_completion import get_completion_class  # noqa: PLC0415

    found = get_completion_class(shell)
    assert found is not None
    click.echo(found(ctx.find_root().command, {}, "livezero", "_LIVEZERO_COMPLETE").source())
