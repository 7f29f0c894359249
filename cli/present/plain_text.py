"""Words of others for a terminal: file names and catalogues are shown and never obeyed."""

import unicodedata

import typer

#: Control characters of ISO 6429 that JSON lets through unescaped; some terminals take 0x9B for ESC [.
_UNESCAPED = {code: f"\\u{code:04x}" for code in range(0x7F, 0xA0)}


def plain(text: str) -> str:
    """The same text with control characters shown as the replacement character; line breaks stay."""
    if text.isprintable():
        return text
    return "".join(
        "\N{REPLACEMENT CHARACTER}" if unicodedata.category(sign) == "Cc" and sign not in "\n\t" else sign
        for sign in text
    )


def say(words: str, *, err: bool = False, nl: bool = True) -> None:
    """Print words that may hold a name from a file or a catalogue.

    Parameters
    ----------
    words : str
    err : bool
        On stderr instead of stdout.
    nl : bool
        With a line break behind it.
    """
    typer.echo(plain(words), err=err, nl=nl)


def say_json(document: str) -> None:
    """Print a JSON document: a program reads it as it was, and a terminal finds nothing to do in it."""
    typer.echo(document.translate(_UNESCAPED))
