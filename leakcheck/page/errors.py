"""What the page refuses, each with the HTTP status that says so."""

from __future__ import annotations

from leakcheck.errors import EXIT_BAD_INPUT, LeakcheckError


class PageError(LeakcheckError):
    """A request that cannot be done. The message is shown on the page as it is."""

    exit_code = EXIT_BAD_INPUT

    def __init__(self, sentence: str, *, status: int = 400) -> None:
        """Args: sentence: for the user. status: of the HTTP answer."""
        super().__init__(sentence)
        self.status = status
