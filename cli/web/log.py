"""The page's log: one JSON object a line, with time, level and request, by the standard library alone.

Routes are logged by their pattern and refusals by their name, so that nothing a person typed gets there. What
an error's own words may hold (a code, a token, a password, a number of a vehicle) is masked as a last resort.
"""

import json
import logging
import re
import secrets
import sys
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import Any, TextIO

from plugface.cli.errors import mask_passwords

#: The request that is being answered; empty outside of any.
REQUEST: ContextVar[str] = ContextVar("request", default="")

_MASKED = (
    # An access code as it is made and as people type it (access.py).
    (
        re.compile(r"(?<![\w-])[2-9A-HJ-NP-Z]{4}[- ]?[2-9A-HJ-NP-Z]{5}[- ]?[2-9A-HJ-NP-Z]{5}(?![\w-])", re.I),
        "CODE",
    ),
    # A token: 256 bits in base64 (access.py).
    (re.compile(r"(?<![\w-])[\w-]{43}(?![\w-])"), "TOKEN"),
    # A vehicle identification number: 17 letters and figures without I, O and Q (ISO 3779).
    (re.compile(r"(?<!\w)(?=\w*\d)[A-HJ-NPR-Z0-9]{17}(?!\w)", re.I), "VEHICLE"),
)


def make_request_id() -> str:
    """A name for one request, new each time."""
    return secrets.token_hex(8)


def mask(text: str) -> str:
    """The same text without codes, tokens, passwords and numbers of vehicles."""
    for pattern, word in _MASKED:
        text = pattern.sub(f"[{word}]", text)
    return mask_passwords(text)


class JsonLines(logging.Formatter):
    """One JSON object a line: time, level, logger, request, message, facts, trace."""

    def format(self, record: logging.LogRecord) -> str:
        """The line of one record; plain ASCII, so that no name in it can order a terminal about."""
        when = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        entry: dict[str, Any] = {
            "time": when.replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "request": REQUEST.get(),
            "message": mask(record.getMessage()),
        }
        for name, value in getattr(record, "facts", {}).items():
            entry[name] = mask(value) if isinstance(value, str) else value
        if record.exc_info:
            entry["trace"] = mask(self.formatException(record.exc_info))
        return json.dumps(entry, default=str)


def start_log(level: str, stream: TextIO | None = None) -> logging.Handler:
    """Send what the page and its server log to a stream, by default standard error."""
    handler = logging.StreamHandler(stream or sys.stderr)
    handler.setFormatter(JsonLines())
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(logging.WARNING)  # of libraries only what went wrong
    logging.getLogger("plugface").setLevel(level.upper())
    return handler
