"""A slow, plain G-code machine written for the tests, and strategies for random programs.

It follows the meaning of the shared words of ISO 6983-1 with the usual filament axis: independent
of the compiled reader in structure, word by word, with Python's own float.
"""

import math
import re
from dataclasses import dataclass, field

from hypothesis import strategies as st

WORD = re.compile(r"([A-Z])\s*([-+]?(?:\d+\.?\d*|\.\d+))")


@dataclass
class Machine:
    """Positions in mm, modes, and what came out: (kind, length or seconds, filament, feed)."""

    at: dict[str, float] = field(default_factory=lambda: dict.fromkeys("XYZE", 0.0))
    unit: float = 1.0
    relative: bool = False
    relative_e: bool = False
    feed: float = math.inf
    motion: int = 1
    out: list[tuple[str, float, float, float]] = field(default_factory=list)
    heat: list[float] = field(default_factory=list)
    fan: list[float] = field(default_factory=list)

    def run(self, text: str) -> "Machine":
        """Carry out every line."""
        for line in text.splitlines():
            self.block(re.sub(r"\([^)]*\)|;.*", "", line).upper())
        return self

    def block(self, line: str) -> None:
        """Carry out one block without comments."""
        found = [(letter, float(value)) for letter, value in WORD.findall(line)]
        codes = [f"{letter}{value:g}" for letter, value in found if letter in "GM"]
        words = {letter: value for letter, value in found if letter not in "GM"}
        action = None
        for code in codes:
            if code in ("G0", "G1", "G2", "G3"):
                self.motion = int(code[1:])
            elif not self.mode(code):
                action = code
        if action is not None:
            self.act(action, words)
        elif set(words) & set("XYZEFIJ"):
            self.move(words)

    def mode(self, code: str) -> bool:
        """Whether `code` is a mode word; it then holds."""
        if code in ("G20", "G21"):
            self.unit = 25.4 if code == "G20" else 1.0
        elif code in ("G90", "G91"):
            self.relative = code == "G91"
        elif code in ("M82", "M83"):
            self.relative_e = code == "M83"
        else:
            return False
        return True

    def act(self, code: str, words: dict[str, float]) -> None:
        """Resets, dwells, temperatures and the fan."""
        if code == "G92":
            named = [axis for axis in "XYZE" if axis in words]
            for axis in named or "XYZE":
                self.at[axis] = words.get(axis, 0.0) * self.unit
        elif code == "G4":
            seconds = words["S"] if "S" in words else words.get("P", 0.0) / 1000.0
            self.out.append(("dwell", seconds, 0.0, math.inf))
        elif code == "M104":
            self.heat.append(words["S"])
        elif code in ("M106", "M107"):
            self.fan.append(words.get("S", 255.0) / 255.0 if code == "M106" else 0.0)

    def move(self, words: dict[str, float]) -> None:
        """A straight or circular move from where the machine stands."""
        if "F" in words:
            self.feed = words["F"] * self.unit / 60.0
        delta = {}
        for axis in "XYZE":
            value = words.get(axis, 0.0) * self.unit
            relative = self.relative_e if axis == "E" else self.relative
            stands = relative or axis not in words
            delta[axis] = value if stands else value - self.at[axis]
            self.at[axis] = self.at[axis] + value if stands else value
        length = math.hypot(delta["X"], delta["Y"], delta["Z"])
        if self.motion > 1:
            length = math.hypot(self.sweep(words, delta), delta["Z"])
        if length > 0.0 or delta["E"] != 0.0:
            self.out.append(("move", length, delta["E"], self.feed))

    def sweep(self, words: dict[str, float], delta: dict[str, float]) -> float:
        """Length in the plane of an arc about (I, J), by complex numbers; a closed one is whole."""
        centre = complex(words.get("I", 0.0), words.get("J", 0.0)) * self.unit
        begin, end = -centre, complex(delta["X"], delta["Y"]) - centre
        turn = math.atan2((end / begin).imag, (end / begin).real)
        turn = -turn if self.motion == 2 else turn
        return abs(centre) * (turn if turn > 1e-9 else turn + 2.0 * math.pi)


NUMBERS = st.integers(-9000, 9000).map(lambda n: n / 100.0)
COMMENTS = st.sampled_from(["", " ; note G1 X9 F1", " (aside X5)", ";", "\t; é"])


@st.composite
def straight(draw: st.DrawFn) -> str:
    """A straight move with any of its words, in any case and spacing."""
    letters = draw(st.lists(st.sampled_from("XYZE"), unique=True, max_size=4))
    words = [draw(st.sampled_from(["G0", "G1", "g1", "G01"]))]
    words += [f"{letter}{draw(NUMBERS):g}" for letter in letters]
    if draw(st.booleans()):
        words.append(f"F{draw(st.integers(60, 9000))}")
    text = draw(st.sampled_from([" ", "", "  "])).join(words)
    return text.lower() if draw(st.booleans()) else text


@st.composite
def arc(draw: st.DrawFn) -> str:
    """An arc of a sixteenth to a whole turn, given relative so that its end is on its circle."""
    radius = draw(st.integers(1, 40))
    begin = draw(st.integers(0, 15)) * math.pi / 8.0
    turn = draw(st.integers(1, 16)) * math.pi / 8.0
    clockwise = draw(st.booleans())
    end = begin + (-turn if clockwise else turn)
    i, j = -radius * math.cos(begin), -radius * math.sin(begin)
    x, y = i + radius * math.cos(end), j + radius * math.sin(end)
    code = "G2" if clockwise else "G3"
    return f"G91\n{code} X{x:.6f} Y{y:.6f} I{i:.6f} J{j:.6f}\nG90"


OTHERS = st.one_of(
    st.sampled_from(["G20", "G21", "G90", "G91", "M82", "M83", "G92 E0", "G92 X1 Y2", "G92", ""]),
    st.integers(0, 5000).map(lambda n: f"G4 P{n}"),
    st.integers(0, 9).map(lambda n: f"G4 S{n}"),
    st.integers(170, 260).map(lambda n: f"M104 S{n}"),
    st.integers(0, 255).map(lambda n: f"M106 S{n}"),
    st.just("M107"),
)


@st.composite
def programs(draw: st.DrawFn) -> str:
    """A program that begins at a known place; comments anywhere."""
    blocks = draw(st.lists(st.one_of(straight(), arc(), OTHERS), min_size=1, max_size=40))
    lines = "\n".join(["G92 X0 Y0 Z0 E0", "G1 F1200", *blocks, "G1 X100 Y100 Z100"]).split("\n")
    return "\n".join(line + draw(COMMENTS) for line in lines) + "\n"
