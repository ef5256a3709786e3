"""What to do next after a test ended otherwise than planned."""

from hotbench.core.errors import (
    BadInput,
    ControllerFault,
    LinkError,
    Stopped,
    WatchTripped,
)

STOPPED = "The run is kept up to here. Start again when you are ready."
FAULTED = (
    "Let it cool. The board's protection did its work: leave it on. Look at sensor and heater "
    "wiring, reset or power-cycle the board, run the check, then try a slower rate or a lower "
    "temperature."
)
WATCHED = (
    "Stay with the machine until it is cool. See to the sensor's seat, the heater's wiring and "
    "the fan, then run the check before any other test."
)
LOST = (
    "Look at the machine now: if the heater is not off, switch the machine off. Then see to the "
    "cable and the power, and run the check."
)
REFUSED = "Nothing more is commanded. Change what the line names and start again."
ELSE = (
    "The heater was switched off and the run kept. Look at the machine; if it still heats, switch "
    "it off."
)

ADVICE: tuple[tuple[type[BaseException], str], ...] = (
    (Stopped, STOPPED),
    (ControllerFault, FAULTED),
    (WatchTripped, WATCHED),
    (LinkError, LOST),
    (BadInput, REFUSED),
)


def advice_for(error: BaseException) -> str:
    """One or two sentences for a person, by the cause of `error`."""
    cause = error.__cause__ if error.__cause__ is not None else error
    for known in (cause, error):
        for kind, text in ADVICE:
            if isinstance(known, kind):
                return text
    return ELSE
