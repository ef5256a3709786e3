"""The lines the simulated board prints."""

from hotbench.sim.loop import FaultCode
from hotbench.sim.printers import PrinterSpec
from hotbench.wire.commands import checksum

BANNER = "start"
FAULT_TEXTS = {
    FaultCode.TRACKING: "hot end strayed from its moving setpoint, heater locked",
    FaultCode.JUMP: "setpoint moved too far at once, heater locked",
    FaultCode.TOO_HOT: "hot end above its greatest temperature, heater locked",
    FaultCode.NOT_HEATING: "hot end does not warm up, heater locked",
    FaultCode.RUNAWAY: "hot end left its setpoint, heater locked",
    FaultCode.SENSOR: "temperature sensor out of range, heater locked",
    FaultCode.STOPPED: "emergency stop, heater locked",
}
LOCKED = "Error:heater is locked since a fault, release with M999"
MARGIN_K = 15.0
"""How far below the cut-off the highest accepted setpoint lies."""
BUSY = "echo:busy: working"


def fault_line(fault: FaultCode) -> str:
    """The line a fault is announced with."""
    return f"Error:{FAULT_TEXTS[fault]}"


def temperatures(
    spec: PrinterSpec, reading_C: float, target_C: float, duty: float, bed_C: float
) -> str:
    """A temperature report in the spec's shape, without `ok`."""
    hot_end = f"T:{reading_C:.1f} /{target_C:.1f}"
    bed = f"B:{bed_C:.1f} /0.0"
    power = f"@:{round(duty * spec.duty_steps)} B@:0"
    if spec.reply_shape == "no duty":
        return f"{hot_end} {bed}"
    if spec.reply_shape == "two tools":
        first, second = f"T0{hot_end[1:]}", f"T1:{bed_C:.1f} /0.0"
        return f"{hot_end} {bed} {first} {second} {power} @1:0"
    return _sealed(spec, f"{hot_end} {bed} {power}")


def acknowledged(spec: PrinterSpec, report: str) -> str:
    """The report behind an `ok` on one line."""
    return _sealed(spec, f"ok {report.partition('*')[0]}")


def _sealed(spec: PrinterSpec, line: str) -> str:
    """The line with its checksum, where the spec's board sends them."""
    return f"{line}*{checksum(line)}" if spec.reply_shape == "with checksum" else line


def identity(spec: PrinterSpec, time_scale: float) -> str:
    """The reply to M115; TIME_SCALE tells that a served board runs faster than the wall clock."""
    tools = 2 if spec.reply_shape == "two tools" else 1
    line = f"FIRMWARE_NAME:simboard 1.0 MACHINE_TYPE:{spec.name} EXTRUDER_COUNT:{tools}"
    return line if time_scale == 1.0 else f"{line} TIME_SCALE:{time_scale:g}"
