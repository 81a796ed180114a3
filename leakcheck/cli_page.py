"""The command `page`: the whole job in a browser."""

from __future__ import annotations

import os
import sys
import threading
from pathlib import Path
from typing import Annotated

import typer

from leakcheck.errors import EXIT_TIGHT, UsageError

# Nothing heavy is imported up here: `leakcheck --help` must answer at once.


def page(
    photos: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[FOLDER | OFF ON]",
            help="A folder of photos, or one pair; without either, the folder you are in.",
        ),
    ] = None,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address and open no browser.")
    ] = False,
) -> int:
    """Do the whole job on a page in the browser: photos, openings, check and report.

    The page is served to this computer alone and loads nothing from outside. It ends with its
    Close button or with Ctrl-C.
    """
    import asyncio

    try:
        import aiohttp  # noqa: F401
    except ImportError as error:
        raise UsageError(
            'the page needs one more library. Install it with: pip install "leakcheck[page]"'
        ) from error
    from leakcheck.page.folder import folder_of
    from leakcheck.page.server import serve

    folder, pair = folder_of(photos or [])

    def ready(address: str) -> None:
        print(f"The page is open at {address}", flush=True)
        print("Keep this running while you use it; Ctrl-C or its Close button ends it.", flush=True)
        if not no_browser:
            _open_browser(address)

    asyncio.run(serve(folder, pair, ready=ready))
    return EXIT_TIGHT


def _open_browser(address: str) -> None:
    """Open the address where there is a screen; a browser in text would take the terminal."""
    if sys.platform.startswith("linux") and not (
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    ):
        return
    import webbrowser

    # Some browsers return only when they are closed.
    threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()


def register_on(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(page)
