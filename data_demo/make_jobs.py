"""Write the invented demo jobs: vase, bracket and bridge piece. Usage: make_jobs.py [FOLDER]."""

import argparse
import math
from collections.abc import Callable, Iterable, Iterator
from itertools import pairwise
from pathlib import Path

AREA_MM2 = math.pi / 4.0 * 1.75**2
LAYER_MM = 0.2
WIDTH_MM = 0.45
START = ("G21", "G90", "M82", "M104 S{0}", "G28", "M109 S{0}", "G92 E0", "G1 X60 Y60 F9000")
END = ("M104 S0", "M107")

Point = tuple[float, float]


class Pen:
    """Writes moves and keeps count of the filament."""

    def __init__(self, name: str, temperature_C: int) -> None:
        self.lines = [f"; {name}, an invented job", *(line.format(temperature_C) for line in START)]
        self.fed_mm = 0.0
        self.at: Point = (60.0, 60.0)

    def layer(self, number: int, z_mm: float) -> None:
        """Begin a layer."""
        self.lines += [f"; layer {number}", f"G1 Z{z_mm:.3f} F900"]

    def role(self, name: str) -> None:
        """What is printed from here on."""
        self.lines.append(f"; role: {name}")

    def travel(self, point: Point) -> None:
        """Move without printing, filament drawn back on the way when it is far."""
        far = math.dist(self.at, point) > 5.0
        if far:
            self.lines.append(f"G1 E{self.fed_mm - 0.8:.5f} F2400")
        self.lines.append(f"G0 X{point[0]:.3f} Y{point[1]:.3f} F9000")
        if far:
            self.lines.append(f"G1 E{self.fed_mm:.5f} F2400")
        self.at = point

    def draw(self, points: Iterable[Point], speed_mm_per_s: float) -> None:
        """Print along points from where the pen stands."""
        feed = f" F{speed_mm_per_s * 60:.0f}"
        for point in points:
            self.fed_mm += math.dist(self.at, point) * LAYER_MM * WIDTH_MM / AREA_MM2
            self.lines.append(f"G1 X{point[0]:.3f} Y{point[1]:.3f} E{self.fed_mm:.5f}{feed}")
            self.at, feed = point, ""

    def text(self) -> str:
        """The finished job."""
        return "\n".join([*self.lines, *END, ""])


def ring(radius_mm: float, count: int, wave_mm: float = 0.0) -> Iterator[Point]:
    """A closed wavy ring about (100, 100)."""
    for k in range(count + 1):
        angle = 2.0 * math.pi * k / count
        r = radius_mm + wave_mm * math.sin(9.0 * angle)
        yield 100.0 + r * math.cos(angle), 100.0 + r * math.sin(angle)


def lines(corner: Point, size: Point, pitch_mm: float) -> Iterator[Point]:
    """Parallel lines that fill a rectangle, back and forth along x."""
    for k in range(int(size[1] / pitch_mm) + 1):
        y = corner[1] + k * pitch_mm
        ends = (corner[0], corner[0] + size[0])
        for x in ends if k % 2 == 0 else ends[::-1]:
            yield x, y


def box(corner: Point, size: Point) -> Iterator[Point]:
    """A rectangle's outline, every side in eight moves."""
    turns = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0), (0.0, 0.0))
    for begin, end in pairwise(turns):
        for k in range(9):
            x, y = (b + (e - b) * k / 8.0 for b, e in zip(begin, end, strict=True))
            yield corner[0] + x * size[0], corner[1] + y * size[1]


def stroke(pen: Pen, role: str, points: list[Point], speed_mm_per_s: float) -> None:
    """Name a role, go to its first point and print the rest."""
    pen.role(role)
    pen.travel(points[0])
    pen.draw(points[1:], speed_mm_per_s)


def vase() -> str:
    """A wavy vase: broad fast zones with narrow slow ones between."""
    pen = Pen("vase", 215)
    for number in range(60):
        z_mm = LAYER_MM * (number + 1)
        pen.layer(number, z_mm)
        fast = (number // 12) % 2 == 0
        speed = 120.0 if fast else 30.0
        radius = 32.0 if fast else 24.0
        stroke(pen, "outer wall", list(ring(radius, 120, 1.5)), speed)
        stroke(pen, "inner wall", list(ring(radius - WIDTH_MM, 120, 1.5)), speed * 1.2)
    return pen.text()


def bracket() -> str:
    """Strong pillars, and supports whose top touches the part without a gap."""
    pen = Pen("bracket", 220)
    for number in range(40):
        pen.layer(number, LAYER_MM * (number + 1))
        stroke(pen, "fill", list(lines((75.0, 75.0), (50.0, 30.0), 1.8)), 90.0)
        if number % 10 in (8, 9):
            stroke(pen, "support surface", list(lines((75.0, 106.0), (50.0, 14.0), 0.5)), 40.0)
        for x in (70.0, 122.0):
            stroke(pen, "pillar", list(lines((x, 75.0), (5.0, 45.0), 0.45)), 60.0)
        stroke(pen, "outer wall", list(box((69.0, 74.0), (59.0, 47.0))), 50.0)
    return pen.text()


def bridge_piece() -> str:
    """Two towers and spans between them that want to be cool and slow."""
    pen = Pen("bridge piece", 215)
    for number in range(36):
        pen.layer(number, LAYER_MM * (number + 1))
        for x in (70.0, 120.0):
            stroke(pen, "outer wall", list(box((x, 80.0), (12.0, 40.0))), 60.0)
            stroke(pen, "fill", list(lines((x + 1.0, 81.0), (10.0, 38.0), 1.2)), 110.0)
        if number in (14, 15, 30):
            pen.lines.append("M106 S255")
            stroke(pen, "bridge", list(lines((82.0, 82.0), (38.0, 36.0), 0.45)), 25.0)
            pen.lines.append("M106 S77")
    return pen.text()


JOBS: dict[str, Callable[[], str]] = {
    "vase": vase,
    "bracket": bracket,
    "bridge-piece": bridge_piece,
}


def main(folder: Path) -> None:
    """Write every job into the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, make in JOBS.items():
        (folder / f"{name}.gcode").write_text(make(), encoding="ascii")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=Path(__file__).parent / "jobs")
    main(parser.parse_args().folder)
