"""Every command of every document is run as it stands there, and the tables say what is so.

What is not run is named below with its reason, and is read by the same parser all the same.
"""

from __future__ import annotations

import itertools
import json
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import typer
from PIL import Image

from leakcheck.cli import app, main

ROOT = Path(__file__).parent.parent
SAMPLES = ROOT / "sample_images"
DOCUMENTS = ("README.md", "DEVELOPERS.md", "sample_images/README.md")
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```", re.MULTILINE | re.DOTALL)
ENDS = (0, 1)  # tight, or leaks: both mean that the command did what the document says

# Commands that start so are not run here, because:
NOT_RUN = {
    "python3 -m venv": "builds an environment; .ci/run does it the same way at every change",
    "py -m venv": "Windows; the words after it are compared with those of the line for sh",
    "pip install": "changes the environment that the tests run in; .ci/run installs",
    ".venv/bin/pip install": "as above",
    ".venv-tests/bin/pip install": "as above",
    ".venv-tests/bin/pytest": "would run this test in itself",
    ".venv/bin/pytest": "as above",
    ".venv/bin/ruff": ".ci/run runs it at every change",
    ".venv/bin/mypy": "as above",
    ".ci/run": "runs all of this",
    "python tests/score_scenes.py": "takes minutes; its options are looked up below",
    "python tests/benchmark.py": "takes minutes; its options are looked up below",
    "python sample_images/make_samples.py": "renders for half an hour; options are looked up below",
    "npm ci": "needs the network; .ci/run does it",
    "apt install": "changes the machine; .ci/run does it",
    "leakcheck page": "serves until it is closed; tests/test_page_browser.py uses it",
}


def blocks(document: str, *languages: str) -> list[str]:
    text = (ROOT / document).read_text("utf-8")
    return [body for language, body in BLOCK.findall(text) if language in languages]


def commands(document: str) -> list[str]:
    """Each command by itself: lines joined where they go on, comments off, && taken apart."""
    lines = "".join(blocks(document, "sh")).replace("\\\n", "").splitlines()
    found = []
    for line in lines:
        words = shlex.split(line, comments=True)
        parts = " ".join(shlex.quote(word) for word in words).split(" '&&' ")
        found += [part for part in parts if part]
    return found


def reason(command: str) -> str | None:
    plain = " ".join(shlex.split(command))
    return next((why for start, why in NOT_RUN.items() if plain.startswith(start)), None)


@pytest.fixture(scope="module")
def bench(tmp_path_factory) -> Path:
    """The folder that a reader stands in: photos under every name that the documents use."""
    folder = tmp_path_factory.mktemp("bench")
    samples = folder / "sample_images"
    samples.mkdir()
    for path in (*SAMPLES.glob("port*"), *SAMPLES.glob("strip.*")):
        shutil.copy(path, samples)
    for place in (folder / "coat-1", folder / "coat-2", folder / "shots"):
        place.mkdir()
    for part in ("off", "on"):
        for coat in ("coat-1", "coat-2"):
            photo = _half(samples / f"port-{coat}-{part}.jpg")
            photo.save(folder / f"{coat}-{part}.jpg", quality=92)
            photo.save(folder / coat / f"heron-{part}.jpg", quality=92)
        shutil.copy(folder / f"coat-1-{part}.jpg", folder / f"heron-{part}.jpg")
        shutil.copy(folder / f"coat-1-{part}.jpg", folder / "shots" / f"port-{part}.jpg")
    for end in ("jpg", "svg"):
        shutil.copy(samples / f"strip.{end}", folder)
    return folder


def _half(path: Path) -> Image.Image:
    """The reader's own photos, at half the size of the samples: what counts here is the command."""
    with Image.open(path) as photo:
        return photo.convert("RGB").resize((photo.width // 2, photo.height // 2))


def _run(command: str) -> int:
    words = shlex.split(command)
    if ">" in words:
        words = words[: words.index(">")]
    if words[0].endswith("leakcheck"):
        return main(words[1:])
    assert words[:2] == ["python", "-c"], f"a command that no test knows: {command}"
    return subprocess.run([sys.executable, *words[1:]], check=False).returncode


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_command_runs_in_the_order_in_which_it_stands(document, bench, monkeypatch, capsys):
    """Judge: the exit status. A refused option, a missing file or a wrong name ends with 2."""
    monkeypatch.chdir(bench)
    ended = {}
    for command in commands(document):
        if reason(command) is None:
            ended[command] = _run(command)
    wrong = {command: code for command, code in ended.items() if code not in ENDS}
    assert not wrong, (wrong, capsys.readouterr().err)


def test_there_are_commands_and_no_reason_is_left_over():
    """Against a parser that finds nothing, and reasons that outlive their commands."""
    found = [command for document in DOCUMENTS for command in commands(document)]
    assert sum(reason(command) is None for command in found) >= 12
    assert any(reason(command) for command in found)


def test_the_windows_lines_say_the_same():
    """Each PowerShell block has the words of the sh block before it."""
    text = (ROOT / "README.md").read_text("utf-8")
    found = BLOCK.findall(text)
    pairs = [(a[1], b[1]) for a, b in itertools.pairwise(found) if b[0] == "powershell"]
    assert len(pairs) == 2
    for sh, power in pairs:
        same = power.replace("\\", "/").replace("/Scripts/", "/bin/").replace("; ", " && ")
        assert same.replace("py -m venv", "python3 -m venv") == sh


@pytest.mark.parametrize("command", ["page photos/", "page"])
def test_the_page_takes_what_is_written(command, tmp_path, monkeypatch):
    """Parsed, not served."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "photos").mkdir()
    group = typer.main.get_command(app)
    name, *words = shlex.split(command)
    with group.make_context("leakcheck", [name, *words]) as context:
        group.commands[name].make_context(name, words, parent=context)


@pytest.mark.parametrize(
    "script", ["tests/score_scenes.py", "tests/benchmark.py", "sample_images/make_samples.py"]
)
def test_options_of_scripts_that_take_long_are_there(script):
    """Every option beside the script's name in a document is one that the script defines."""
    source = (ROOT / script).read_text("utf-8")
    for document in DOCUMENTS:
        for line in (ROOT / document).read_text("utf-8").splitlines():
            if script in line:
                for option in re.findall(r"(--[a-z-]+)", line):
                    assert option == "--help" or f'"{option}"' in source, (document, option)


COMMANDS = ("check", "compare", "batch", "coats", "demo", "report", "page")


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_has_its_section_with_all_its_options(name):
    """Truth: what the command line itself accepts."""
    text = (ROOT / "README.md").read_text("utf-8")
    section = re.search(rf"^### `leakcheck {name}\b.*?(?=^##)", text, re.MULTILINE | re.DOTALL)
    assert section, name
    options = {
        option
        for parameter in typer.main.get_command(app).commands[name].params
        for option in parameter.opts
        if option.startswith("--") and option != "--help"
    }
    missing = {option for option in options if option not in section[0]}
    assert not missing
    said = set(re.findall(r"`(--[a-z-]+)", section[0]))
    known = {
        o for c in typer.main.get_command(app).commands.values() for p in c.params for o in p.opts
    }
    assert said <= known, said - known


def test_every_command_is_in_the_readme():
    assert set(typer.main.get_command(app).commands) == set(COMMANDS)


def test_the_json_table_names_fields_of_the_schema():
    """Truth: the schema in the package; both ways for the fields of the whole result."""
    text = (ROOT / "README.md").read_text("utf-8")
    table = re.search(r"^## JSON\n.*?^## ", text, re.MULTILINE | re.DOTALL)
    schema = json.loads((ROOT / "leakcheck/report/check.schema.json").read_text("utf-8"))
    firsts = re.findall(r"^\| (.*?) \|", table[0], re.MULTILINE)
    said = {name for first in firsts for name in re.findall(r"`(\w+)`", first)}
    assert said == set(schema["properties"])
    leak = re.search(r"^\| `leaks` \| (.*?) \|", table[0], re.MULTILINE)
    fields = set(re.findall(r"`(\w+)`", leak[1]))
    assert fields <= set(schema["$defs"]["leak"]["properties"])


def test_the_python_of_the_readme_runs(bench, monkeypatch, capsys):
    """In the folder of the commands, with the openings of the samples."""
    monkeypatch.chdir(bench)
    shutil.copy(bench / "sample_images" / "port.svg", bench / "port.svg")
    for body in blocks("README.md", "python"):
        exec(compile(body, "README.md", "exec"), {})
    assert capsys.readouterr().out.strip()


def test_the_openings_file_of_the_readme_is_read(tmp_path):
    """Truth: the shapes that the text around it names."""
    from leakcheck import read_openings

    (body,) = blocks("README.md", "svg")
    (tmp_path / "port.svg").write_text(body, encoding="utf-8")
    shapes = read_openings(tmp_path / "port.svg", size=(1600, 1200)).shapes
    assert [(s.name, s.kind) for s in shapes] == [
        ("hull", "model"),
        ("saloon-1", "window"),
        ("port-sidelight", "beacon"),
    ]


def test_links_between_documents_lead_somewhere():
    for document in DOCUMENTS:
        text = (ROOT / document).read_text("utf-8")
        for target in re.findall(r"\]\(([^)#:]+)\)", text):
            assert ((ROOT / document).parent / target).exists(), (document, target)


def test_what_is_quoted_of_errors_is_what_the_program_says():
    """Truth: the sources; a sentence may be broken over two lines there."""
    text = (ROOT / "README.md").read_text("utf-8")
    table = re.search(r"^\| it says.*?(?=^## )", text, re.MULTILINE | re.DOTALL)
    firsts = re.findall(r"^\| (.*?) \|", table[0], re.MULTILINE)
    quoted = [phrase for first in firsts for phrase in re.findall(r'"(.+?)"', first)]
    assert len(quoted) >= 9
    sources = " ".join(path.read_text("utf-8") for path in (ROOT / "leakcheck").rglob("*.py"))
    assert [phrase for phrase in quoted if phrase not in sources] == []
