"""DEVELOPERS.md's table of checks against the outside: whole, and about tests that exist."""

from __future__ import annotations

import re
from pathlib import Path

TESTS = Path(__file__).parent
TITLE = "### Checks against the outside"
COLUMNS = ["subject", "source", "tolerance", "why that much", "test"]
# What the trade's own list of published numbers names, as far as the program uses it.
SUBJECTS = (
    "IEC 61966-2-1", "McCamy 1992", "CIE 15", "COLREGs 1972", "ISO 5", "Beer-Lambert", "APEX",
    "EMVA 1288", "EN 12464-1", "Weber", "scikit-image", "SimpleITK", "photutils", "sep",
    "colour-science", "common practice, no source",
)  # fmt: skip


def rows() -> list[list[str]]:
    """The cells of the table, its head first."""
    text = (TESTS.parent / "DEVELOPERS.md").read_text("utf-8")
    section = text.split(TITLE, 1)[1].split("\n#", 1)[0]
    lines = [line for line in section.splitlines() if line.startswith("|")]
    found = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    return [row for row in found if not set(row[0]) <= set("-: ")]


def named() -> set[tuple[str, str]]:
    """File and function of every test in the table."""
    return {tuple(name) for row in rows() for name in re.findall(r"`(\w+\.py)::(\w+)`", row[-1])}


def test_every_row_says_all_five_things():
    head, *body = rows()
    assert head == COLUMNS
    assert len(body) > 40
    assert [row for row in body if len(row) != len(COLUMNS) or not all(row)] == []


def test_every_test_in_it_exists():
    missing = [
        f"{file}::{name}"
        for file, name in sorted(named())
        if not (TESTS / file).exists() or f"def {name}(" not in (TESTS / file).read_text("utf-8")
    ]
    assert missing == []
    assert all(re.search(r"`\w+\.py::\w+`", row[-1]) for row in rows()[1:])


def test_every_outside_test_is_in_it():
    every = {
        (path.name, name)
        for path in TESTS.glob("test_outside_*.py")
        if path.name != Path(__file__).name
        for name in re.findall(r"^def (test_\w+)\(", path.read_text("utf-8"), re.M)
    }
    assert every - named() == set()


def test_every_published_source_is_in_it():
    sources = " ".join(row[1] for row in rows()[1:])
    assert [source for source in SUBJECTS if source not in sources] == []
