"""leakcheck as a program of its own: pipes, terminals, consoles; its library's front door."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer

import leakcheck
from leakcheck import errors
from leakcheck.cli import app

TESTS = Path(__file__).parent
ENVIRONMENT = {**os.environ, "PYTHONPATH": os.pathsep.join([str(TESTS.parent), str(TESTS)])}
PAIR = ("check", "heron_off.png", "heron_on.png")

PLAYED = (
    "import sys, leakcheck.check, made_checks as made;"
    "sys.modules['leakcheck.check'].check = lambda *a, **k: made.check();"
    "from leakcheck.cli import run; run()"
)


def _python(*arguments: str, **options) -> subprocess.CompletedProcess:
    options = {"env": ENVIRONMENT, "capture_output": True, "text": True, **options}
    return subprocess.run([sys.executable, *arguments], check=False, timeout=120, **options)


def test_help_and_version_load_nothing_heavy():
    """Python's own list of loaded modules; loading any of these takes a tenth of a second."""
    code = (
        "import sys, leakcheck.cli as cli; codes = [cli.main(['--help']),"
        "cli.main(['check', '--help']), cli.main(['--version'])];"
        "print(codes, sorted({m.split('.')[0] for m in sys.modules}"
        "& {'numpy', 'cv2', 'scipy', 'skimage', 'matplotlib', 'PIL', 'rich'}))"
    )
    done = _python("-c", code)
    assert done.stdout.splitlines()[-1] == "[0, 0, 0] []"
    assert f"leakcheck {leakcheck.__version__}" in done.stdout


def test_python_m_runs_the_program():
    done = _python("-m", "leakcheck", "check", "nowhere.jpg", "nowhere.jpg")
    assert done.returncode == 2
    assert "nowhere.jpg" in done.stderr


def test_a_reader_that_stops_early_changes_nothing(folder):
    """As in `leakcheck check ... | head -1`: leaks stay exit code 1, and nobody complains."""
    run = subprocess.Popen(
        [sys.executable, "-c", PLAYED, *PAIR, "--json", "r.json"],
        env=ENVIRONMENT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    run.stdout.close()
    error = run.stderr.read()
    assert run.wait(60) == 1
    assert error == b""
    assert (folder / "r.json").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_stdout_on_a_full_disk_is_an_error(folder):
    with Path("/dev/full").open("w") as full:
        done = _python(
            "-c", PLAYED, *PAIR, stdout=full, stderr=subprocess.PIPE, capture_output=False
        )
    assert done.returncode == 2
    assert done.stderr == (
        "leakcheck: Standard output cannot be written: the disk is full. Free some space and run"
        " it again.\n"
    )


@pytest.mark.parametrize(
    ("settings", "coloured"),
    [
        ({"TERM": "xterm"}, True),
        ({"NO_COLOR": "1", "TERM": "xterm"}, False),
        ({"TERM": "dumb"}, False),
    ],
)
def test_colour_on_a_terminal_unless_unwanted(folder, settings, coloured):
    """Run on a pseudo-terminal; https://no-color.org asks for no colour with NO_COLOR."""
    pty = pytest.importorskip("pty")
    master, slave = pty.openpty()
    environment = {k: v for k, v in ENVIRONMENT.items() if k not in {"NO_COLOR", "COLUMNS"}}
    run = subprocess.Popen(
        [sys.executable, "-c", PLAYED, *PAIR],
        env=environment | settings,
        stdout=slave,
        stderr=subprocess.DEVNULL,
    )
    os.close(slave)
    shown = b""
    with contextlib.suppress(OSError):  # how a closed pseudo-terminal ends on Linux
        while part := os.read(master, 65536):
            shown += part
    os.close(master)
    assert run.wait(60) == 1
    assert b"LEAKS" in shown
    assert (b"\x1b[" in shown) == coloured


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_any_console_shows_any_name(folder, encoding):
    """Names in the result hold what the console's encoding may not."""
    played = PLAYED.replace(
        "made.check()",
        "made.check(leaks=(made.leak(1, made.circle(9, 9, 3), where='above \u8239 F\\xe4hre'),))",
    )
    done = _python(
        "-c",
        played,
        *PAIR,
        env={**ENVIRONMENT, "PYTHONIOENCODING": encoding},
        text=False,
    )
    assert done.returncode == 1
    assert done.stderr == b""
    assert "above" in done.stdout.decode(encoding)


# --- the library's front door ----------------------------------------------------------------

ORDERS = (
    "import leakcheck; f = leakcheck.check; g = leakcheck.register",
    "from leakcheck import check as f, register as g",
    "import leakcheck.check, leakcheck.register; f = leakcheck.check; g = leakcheck.register",
    "import leakcheck; f = leakcheck.check; import leakcheck.check; f = leakcheck.check;"
    "from leakcheck import register as g",
    "from leakcheck.check import check as f; from leakcheck.register import register;"
    "import leakcheck; g = leakcheck.register; f = leakcheck.check",
    "import leakcheck.report.terminal, leakcheck; f = leakcheck.check; g = leakcheck.register",
    "from leakcheck.photo import Photo; from leakcheck import *; f = check; g = register",
)


@pytest.mark.parametrize("order", ORDERS)
def test_check_and_register_are_functions_whatever_was_imported_before(order):
    """The package has submodules of the same names; the functions must win in every order."""
    done = _python("-c", f"{order}; print(f.__name__, g.__name__, type(f).__name__)")
    assert done.stdout == "check register function\n", done.stderr


def test_every_public_name_can_be_had():
    for name in leakcheck.__all__:
        assert getattr(leakcheck, name) is not None
    assert set(leakcheck.__all__) <= set(dir(leakcheck))
    with pytest.raises(AttributeError, match="no attribute 'chekc'"):
        _ = leakcheck.chekc


# --- what is written about it ----------------------------------------------------------------


def test_the_readme_names_every_option_and_exit_code():
    """The parser's own list of commands and options against README.md."""
    text = (TESTS.parent / "README.md").read_text("utf-8")
    commands = typer.main.get_command(app).commands
    assert "check" in commands
    for name, command in commands.items():
        assert f"`leakcheck {name} " in text, name
        for parameter in command.params:
            options = [option for option in parameter.opts if option.startswith("--")]
            named = [o for o in options if re.search(rf"{o}(?![-\w])", text)]
            assert named or not options, f"{name} {options}"
    codes = {value for name, value in vars(errors).items() if name.startswith("EXIT_")}
    assert all(f"| {code} |" in text for code in codes)


def test_the_contributors_guide_names_every_module_and_every_test_that_it_lists_exists():
    """The files of the package and the functions of the tests against DEVELOPERS.md."""
    text = (TESTS.parent / "DEVELOPERS.md").read_text("utf-8")
    modules = {path.name for path in (TESTS.parent / "leakcheck").glob("*.py")}
    assert {name for name in modules if not name.startswith("__") and name not in text} == set()
    sources = "".join(path.read_text("utf-8") for path in TESTS.glob("test_*.py"))
    for name in re.findall(r"\btest_\w+", text):
        assert f"{name}(" in sources or (TESTS / f"{name}.py").exists(), name
