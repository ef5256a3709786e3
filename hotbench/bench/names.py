"""Names needed before anything heavy is loaded: of the simulated printers, and of one thread."""

from hotbench.core.errors import unknown_key

SIMULATED_PRINTERS = ("long-melt", "plain-block", "swift-sleeve")
SIMULATED = "sim:"
QUESTIONING = "question"
"""The thread in which a person is asked while the printer is read on."""


def check_printer(name: str) -> None:
    """BadInput, with the nearest name, for a simulated printer that does not exist."""
    if name not in SIMULATED_PRINTERS:
        raise unknown_key(name, SIMULATED_PRINTERS, where="simulated printer", kind="name")


def check_port(port: str) -> None:
    """The same for a port that names one, such as sim:NAME; any other port passes."""
    if port.startswith(SIMULATED):
        check_printer(port.removeprefix(SIMULATED))
