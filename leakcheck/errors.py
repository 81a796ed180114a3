"""Every way a run can fail, each with its exit code; `cli.py` turns them into one sentence."""

from __future__ import annotations

EXIT_TIGHT = 0
EXIT_LEAKS = 1
EXIT_BAD_INPUT = 2
EXIT_NOT_MEASURED = 3
EXIT_FAULT = 4
EXIT_INTERRUPTED = 130


class LeakcheckError(Exception):
    """Base of all expected failures. The message is one plain sentence that says what to do."""

    exit_code = EXIT_FAULT


class UsageError(LeakcheckError):
    """The command line or an argument asks for something impossible."""

    exit_code = EXIT_BAD_INPUT


class PhotoError(LeakcheckError):
    """A photo is missing or cannot be read."""

    exit_code = EXIT_BAD_INPUT


class OpeningsError(LeakcheckError):
    """An openings file cannot be read or does not belong to the photo."""

    exit_code = EXIT_BAD_INPUT


class OutputError(LeakcheckError):
    """A result cannot be written, or would overwrite something of the user's."""

    exit_code = EXIT_BAD_INPUT


class MeasurementError(LeakcheckError):
    """The photos can be read but not measured."""

    exit_code = EXIT_NOT_MEASURED


class RegistrationError(MeasurementError):
    """The two photos cannot be laid onto each other so that the result could be trusted."""


class ExposureError(MeasurementError):
    """The photos' exposures cannot be matched: too dark, blown out, swapped or nothing changed."""
