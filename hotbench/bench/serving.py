"""Serving a simulated printer to other programs."""

from collections.abc import Callable, Mapping
from typing import Any

from hotbench.core.errors import unknown_key
from hotbench.sim.printers import PRINTERS, PrinterSpec
from hotbench.sim.serve import Addresses, run_server


def printer_spec(name: str) -> PrinterSpec:
    """The simulated printer called `name`; BadInput suggests the nearest."""
    if name not in PRINTERS:
        raise unknown_key(name, PRINTERS, where="simulated printer", kind="name")
    return PRINTERS[name]


def serve(
    name: str,
    *,
    tcp_port: int | None,
    speed: float,
    seed: int,
    announce: Callable[[Mapping[str, Any]], None],
) -> None:
    """Serve until interrupted; `announce` gets the addresses once they can be opened."""
    spec = printer_spec(name)

    def announce_addresses(addresses: Addresses) -> None:
        announce(
            {
                "printer": name,
                "port": addresses.printer,
                "scale": addresses.scale,
                "speed": f"{speed:g}",
                "fault_deviation_K": spec.fault_deviation_K,
                "try": f"hotbench check --port {addresses.printer}",
                "stop": "Ctrl-C",
            }
        )

    run_server(spec, port=tcp_port, speed=speed, seed=seed, announce=announce_addresses)
