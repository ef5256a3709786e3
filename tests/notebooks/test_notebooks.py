"""Every notebook runs from top to bottom in virtual time, and is kept as it should be."""

import ast
import asyncio
import json
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient
from nbconvert import HTMLExporter, MarkdownExporter

NOTEBOOKS = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))
LOGIC = (ast.If, ast.For, ast.While, ast.FunctionDef, ast.ClassDef, ast.Try, ast.With, ast.Lambda)
HEATING = (".record(",)
EXPECTED_COUNT = 7
AT_ONCE = 2


def read(path: Path) -> nbformat.NotebookNode:
    return nbformat.read(path, as_version=4)


def code(book: nbformat.NotebookNode) -> list[str]:
    return [cell.source for cell in book.cells if cell.cell_type == "code"]


def execute(path: Path, folder: Path, edit: Callable[[str], str] = str) -> nbformat.NotebookNode:
    book = read(path)
    for cell in book.cells:
        cell.source = edit(cell.source)
    client = NotebookClient(book, timeout=120, resources={"metadata": {"path": str(folder)}})
    asyncio.run(client.async_execute())  # closes its loop, in whatever thread
    return book


def test_all_parts_of_the_job_have_a_notebook() -> None:
    assert [path.name[:2] for path in NOTEBOOKS] == [f"{n + 1:02d}" for n in range(EXPECTED_COUNT)]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_outputs_are_stripped(path: Path) -> None:
    cells = [cell for cell in read(path).cells if cell.cell_type == "code"]
    assert all(not cell.outputs and cell.execution_count is None for cell in cells)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_cells_hold_no_logic(path: Path) -> None:
    nodes = [node for source in code(read(path)) for node in ast.walk(ast.parse(source))]
    assert not [type(node).__name__ for node in nodes if isinstance(node, LOGIC)]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_the_port_is_set_in_one_line(path: Path) -> None:
    lines = [line for source in code(read(path)) for line in source.splitlines()]
    assert sum(line.startswith("PORT = ") for line in lines) == 1


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_caution_comes_before_heat(path: Path) -> None:
    cautioned = path.stem == "01-tour"  # its only heat is simulated, and its first cell says so
    for cell in read(path).cells:
        if cell.cell_type == "markdown":
            cautioned |= "**Caution.**" in cell.source
        elif any(word in cell.source for word in HEATING):
            assert cautioned, cell.source


@dataclass(frozen=True)
class Executed:
    """A notebook on its way through its cells, in a folder of its own."""

    book: Future[nbformat.NotebookNode]
    folder: Path


@pytest.fixture(scope="module")
def executed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Executed]]:
    """All notebooks, two at a time, the longest first."""
    folders = {path: tmp_path_factory.mktemp(path.stem) for path in reversed(NOTEBOOKS)}
    with ThreadPoolExecutor(AT_ONCE) as pool:
        yield {
            path.stem: Executed(pool.submit(execute, path, folder), folder)
            for path, folder in folders.items()
        }


@pytest.mark.slow
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_runs_from_top_to_bottom(path: Path, executed: dict[str, Executed]) -> None:
    book = executed[path.stem].book.result()
    shown = [cell for cell in book.cells if cell.cell_type == "code" and cell.outputs]
    assert len(shown) >= len(code(book)) - 1  # only the cell that opens the bench shows nothing
    streams = [out for cell in shown for out in cell.outputs if out.output_type == "stream"]
    assert not streams
    assert (executed[path.stem].folder / "bench-runs").is_dir()


@pytest.mark.slow
@pytest.mark.parametrize("exporter", [HTMLExporter, MarkdownExporter])
def test_an_exported_tour_says_what_its_panel_was(
    exporter: type[HTMLExporter], executed: dict[str, Executed]
) -> None:
    book = executed["01-tour"].book.result()
    kinds = [set(out.data) for cell in book.cells for out in cell.get("outputs", ())]
    panel = kinds.index({"application/vnd.jupyter.widget-view+json", "text/plain"})
    assert kinds[panel + 1] == {"text/html", "text/plain"}
    page, _ = exporter().from_notebook_node(book)
    assert page.count("Bench panel of sim:swift-sleeve, 1 run in bench-runs.") == 1
    assert "run this cell again to bring it back" in page


@pytest.fixture
def served() -> Iterator[str]:
    """The address of a simulated printer in a process of its own, fifteen times as fast."""
    command = [sys.executable, "-c", "from hotbench.cli import main; main()"]
    command += ["sim", "--tcp", "0", "--speed", "15", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:  # noqa: S603
        try:
            assert server.stdout is not None
            yield json.loads(server.stdout.readline())["port"]
        finally:
            server.terminate()


@pytest.mark.slow
@pytest.mark.wire
@pytest.mark.parametrize(("name", "kept"), [("01-tour", ["hold-1"]), ("02-step-test", ["step-1"])])
def test_changing_one_line_works_on_a_served_printer(
    name: str, kept: list[str], tmp_path: Path, served: str
) -> None:
    def edit(source: str) -> str:
        lines = [
            f'PORT = "{served}"' if line.startswith("PORT = ") else line
            for line in source.splitlines()
        ]  # nobody is there to type yes, so the question before heating is left out
        return "\n".join(lines).replace("Bench(port=PORT)", "Bench(port=PORT, ask=False)")

    execute(next(path for path in NOTEBOOKS if path.stem == name), tmp_path, edit)
    runs = sorted((tmp_path / "bench-runs").iterdir())
    assert [run.name for run in runs] == kept
    assert all(served in (run / "datapackage.json").read_text("utf-8") for run in runs)
