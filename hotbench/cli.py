"""The command line: arguments in, bench calls, tables out."""


def main() -> None:
    """Entry point of the `hotbench` command."""
