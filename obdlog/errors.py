"""Every error that this project raises on purpose.

"No data", a refusal and an unsupported PID are outcomes of an exchange and are recorded, not
raised. Misuse by a caller is ``ValueError``. Only the command line turns these errors into a
sentence on stderr and an exit code; each error states its own exit code so that the contract
has one home.

::

    ObdlogError
    ├ LinkError: LinkOpenError(.reason), LinkClosedError, LinkTimeoutError (also TimeoutError)
    ├ ProtocolError(.raw): AdapterError, FramingError
    ├ NoAnswerError
    ├ RefusedError
    ├ DecodeError(.payload)
    ├ InputFileError(.path, .line): SessionFileError, SessionVersionError
    ├ TableError(.file, .line)
    └ AnalysisError: MissingSignalError(.signal)
"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import ClassVar


class ObdlogError(Exception):
    """Root of the tree; ``hint`` says what to try, ``exit_code`` is the contract's."""

    exit_code: ClassVar[int] = 1

    def __init__(self, message: str, *, hint: str = "") -> None:
        super().__init__(message)
        self.hint = hint


class OpenFailure(StrEnum):
    """Why a link could not be opened."""

    MISSING = "missing"
    BUSY = "busy"
    NOT_PERMITTED = "not-permitted"
    UNREACHABLE = "unreachable"
    NOT_AN_ADAPTER = "not-an-adapter"
    NEEDS_EXTRA = "needs-extra"
    BAD_URL = "bad-url"
    OTHER = "other"


class LinkError(ObdlogError):
    """The road to the adapter failed."""

    exit_code = 3


class LinkOpenError(LinkError):
    """The link cannot be opened; ``reason`` says why in a form code can branch on."""

    def __init__(self, message: str, *, reason: OpenFailure, hint: str = "") -> None:
        super().__init__(message, hint=hint)
        self.reason = reason


class LinkClosedError(LinkError):
    """The link was open and is gone (unplugged, connection reset)."""


class LinkTimeoutError(LinkError, TimeoutError):
    """The adapter stopped talking."""


class ProtocolError(ObdlogError):
    """What arrived breaks the rules of its layer; ``raw`` is what arrived."""

    exit_code = 3

    def __init__(self, message: str, *, raw: bytes = b"", hint: str = "") -> None:
        super().__init__(message, hint=hint)
        self.raw = raw


class AdapterError(ProtocolError):
    """The adapter's text makes no sense or reports a failure of its own."""


class FramingError(ProtocolError):
    """Frames that cannot be put together."""


class NoAnswerError(ObdlogError):
    """The adapter works and the car does not answer."""

    exit_code = 4


class RefusedError(ObdlogError):
    """The car, or a safety check of ours, refused."""

    exit_code = 5


class DecodeError(ObdlogError):
    """A payload that its service's layout does not allow."""

    exit_code = 6

    def __init__(self, message: str, *, payload: bytes = b"", hint: str = "") -> None:
        super().__init__(message, hint=hint)
        self.payload = payload


class InputFileError(ObdlogError):
    """A file that is not what it should be."""

    exit_code = 6

    def __init__(
        self, message: str, *, path: Path | str, line: int | None = None, hint: str = ""
    ) -> None:
        super().__init__(message, hint=hint)
        self.path = Path(path)
        self.line = line


class SessionFileError(InputFileError):
    """A session file that cannot be read or written."""


class SessionVersionError(SessionFileError):
    """A session file of a format version this release does not know."""


class TableError(ObdlogError):
    """A table shipped with the program, or a user's own, breaks its rules."""

    def __init__(self, message: str, *, file: str, line: int | None = None) -> None:
        where = f"{file}:{line}" if line is not None else file
        super().__init__(f"{where}: {message}")
        self.file = file
        self.line = line


class AnalysisError(ObdlogError):
    """A session that cannot be analysed as asked."""

    exit_code = 6


class MissingSignalError(AnalysisError):
    """The session holds no reading of the signal that was asked for."""

    def __init__(self, signal: str, *, hint: str = "") -> None:
        super().__init__(f"the session holds no readings of {signal}", hint=hint)
        self.signal = signal
