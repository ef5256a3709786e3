"""The command line: arguments in, bench calls, tables out."""

import os
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress

import click

from hotbench import __version__
from hotbench.bench.names import QUESTIONING
from hotbench.cli import jobs, printer, profile, record, runs, units, weigh
from hotbench.cli.arguments import (
    SuggestingGroup,
    bad_parameter,
    missing_parameter,
    unknown_option,
    usage,
)
from hotbench.core.errors import HotbenchError


@click.group(cls=SuggestingGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="hotbench")
def app() -> None:
    """Measure a hot end, fit its models, and write its numbers down.

    The chain: record → fit → profile. Try it without hardware:

        hotbench demo --out demo-run
    """


for _command in (
    *printer.COMMANDS,
    *record.COMMANDS,
    *runs.COMMANDS,
    *profile.COMMANDS,
    *jobs.COMMANDS,
    *weigh.COMMANDS,
    *units.COMMANDS,
):
    app.add_command(_command)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run a command line and return its exit code; every foreseen error becomes one line."""
    try:
        app.main(args=arguments, prog_name="hotbench", standalone_mode=False)
    except (click.Abort, KeyboardInterrupt):
        return _fail("interrupted", 130)
    except click.NoSuchOption as error:
        return _fail(unknown_option(error), 2)
    except click.MissingParameter as error:
        return _fail(missing_parameter(error), 2)
    except click.BadParameter as error:
        return _fail(bad_parameter(error), 2)
    except click.ClickException as error:
        return _fail(usage(error), 2)
    except HotbenchError as error:
        return _fail(str(error), error.exit_code)
    except BrokenPipeError:
        return 0
    except OSError as error:
        folder = "; a folder; name a file in it" if isinstance(error, IsADirectoryError) else ""
        return _fail(f"{error.filename or 'file'}: {error.strerror or error}{folder}", 2)
    return 0


def _fail(message: str, code: int) -> int:
    click.echo(f"hotbench: {' '.join(message.split())}", err=True)
    return code


def main() -> None:
    """Entry point of the `hotbench` command."""
    leave(run())


def leave(code: int) -> None:
    """End the process with an exit code, also while a question still waits on standard input.

    The interpreter aborts where it finds a thread reading there; such a thread is left behind.
    """
    if not any(thread.name == QUESTIONING for thread in threading.enumerate()):
        sys.exit(code)
    with suppress(BrokenPipeError):
        sys.stdout.flush()
        sys.stderr.flush()
    os._exit(code)
