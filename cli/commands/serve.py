"""plugface serve: the yard page, for phones and for other programs."""

import ipaddress
import os
import signal
import socket
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer
from plugface.cli.commands import options
from plugface.cli.present.plain_text import say

if TYPE_CHECKING:
    from plugface.cli.web.settings import ServeSettings
    from plugface.cli.web.yard import Yard

TLS_ADVICE = (
    "This page speaks plain HTTP: on a network, anyone near can read the photos and the code. Put TLS in "
    "front: a reverse proxy with a certificate that hands on to http://127.0.0.1:{port}, keeps the Host "
    "header and sets X-Forwarded-For and X-Forwarded-Proto. Let this page listen on 127.0.0.1 and start it "
    "with --public-url https://NAME."
)


def serve(
    settings_file: Annotated[
        Path | None,
        typer.Option(
            "--settings",
            metavar="FILE",
            help="Settings as TOML (see `plugface schema settings`); options come before it.",
            show_default=False,
        ),
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Print what is in force and where it comes from, and leave.")
    ] = False,
    catalogue: Annotated[
        Path | None,
        typer.Option(
            "--catalogue",
            metavar="DIR",
            help="Folder of the catalogue. Without it: that in PLUGFACE_CATALOGUE, else the invented demo.",
            show_default=False,
        ),
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option(
            "--folder",
            metavar="DIR",
            help="Where photos, queue and ledger are kept. Without it: in the user's data folder.",
            show_default=False,
        ),
    ] = None,
    lots: Annotated[
        list[str] | None,
        typer.Option(
            "--lot",
            metavar="NAME",
            help="A lot with an access code of its own; may be given several times.",
            show_default=False,
        ),
    ] = None,
    new_codes: Annotated[
        bool, typer.Option("--new-codes", help="Give the lots new codes; the old ones end at once.")
    ] = False,
    show_codes: options.ShowCodes = False,
    host: Annotated[
        str | None,
        typer.Option("--host", help="Address to listen on; without it 127.0.0.1.", show_default=False),
    ] = None,
    port: Annotated[
        int | None,
        typer.Option(
            "--port", min=0, max=65535, help="Without it 8017; 0: any free one.", show_default=False
        ),
    ] = None,
    public_url: Annotated[
        str | None,
        typer.Option(
            "--public-url",
            metavar="URL",
            help="https address of a proxy in front of this page.",
            show_default=False,
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(
            "--workers", min=1, max=16, help="Units looked at at once; without it 1.", show_default=False
        ),
    ] = None,
    text: Annotated[
        Path | None,
        typer.Option("--words", metavar="FILE", help="The page's text, translated.", show_default=False),
    ] = None,
    log_level: Annotated[
        Literal["debug", "info", "warning", "error"] | None,
        typer.Option(
            "--log-level", help="Of the log on standard error; without it info.", show_default=False
        ),
    ] = None,
) -> None:
    """Serve the yard page: photograph a unit with a phone, get the answer on the phone.

    Without options the page is for this machine alone and needs no code. On another address, behind a proxy
    (--public-url), or with --lot, each lot has an access code. A new one is written to access-codes.txt in
    the folder, which only its owner can read, and otherwise kept as a hash; `plugface codes add` makes
    further ones that are bound to a name.

    Whatever an option sets may also stand in a settings file, or in a variable PLUGFACE_SERVE_NAME.

    Exit code: 0 when it was ended, 2 when settings, folder, catalogue or address cannot be used.
    """
    from plugface.cli.web.settings import load_settings

    said = {
        "catalogue": (catalogue, "--catalogue"),
        "folder": (folder, "--folder"),
        "lots": (lots, "--lot"),
        "host": (host, "--host"),
        "port": (port, "--port"),
        "public_url": (public_url, "--public-url"),
        "workers": (workers, "--workers"),
        "words": (text, "--words"),
        "log_level": (log_level, "--log-level"),
    }
    given = {
        key: (str(value) if isinstance(value, Path) else value, f"option {name}")
        for key, (value, name) in said.items()
        if value not in (None, [])
    }
    settings = load_settings(settings_file, given)
    if check:
        _check(settings)
    else:
        _serve(settings, new_codes=new_codes, show_codes=show_codes)


def _check(settings: "ServeSettings") -> None:
    """Print the settings, after what they name has been read."""
    from plugface.cli.web.settings import write_settings
    from plugface.cli.web.words import ENGLISH, load_words
    from plugface.models.catalogue.entries import load_catalogue

    load_words(Path(settings["words"]) if settings["words"] else ENGLISH)
    load_catalogue(Path(settings["catalogue"]))
    say(
        "# In force, each with where it comes from. Settings, words and catalogue can be read; nothing was"
        " started.\n# `plugface schema settings` says what each setting guards.\n"
    )
    say(write_settings(settings), nl=False)


def _serve(settings: "ServeSettings", *, new_codes: bool, show_codes: bool) -> None:
    import uvicorn
    from plugface.cli.web.access import is_loopback
    from plugface.cli.web.app import create_app
    from plugface.cli.web.connections import make_protocol
    from plugface.cli.web.log import start_log
    from plugface.cli.web.words import ENGLISH, load_words
    from plugface.cli.web.yard import Yard, YardSettings

    host, public_url, lots = settings["host"], settings["public_url"].rstrip("/"), settings["lots"]
    alone = is_loopback(host) and not public_url
    open_lot = alone and not lots
    listener = _listen(host, settings["port"])
    port = listener.getsockname()[1]
    yard_settings = YardSettings(
        folder=Path(settings["folder"]),
        catalogue=Path(settings["catalogue"]).resolve(),
        open_lot=open_lot,
        local_names=alone,
        public_url=public_url,
        workers=settings["workers"],
        keep_days=settings["keep_days"],
        shared_lots=tuple(settings["shared_lots"]),
        phone_plugs=settings["phone_plugs"],
        limits=settings.limits,
        words=load_words(Path(settings["words"]) if settings["words"] else ENGLISH),
    )
    # uvicorn hands a signal on once it has ended; unhandled, it would end us before the files are closed, and
    # the newest rows would be in the write-ahead log alone, which a copy of ledger.sqlite lacks.
    signal.signal(signal.SIGTERM, _end)
    os.umask(0o077)  # photos, queue and ledger are for the account that runs the page alone
    start_log(settings["log_level"])
    yard = Yard(yard_settings)
    address = public_url or f"http://{f'[{host}]' if ':' in host else host}:{port}"
    try:
        say(f"The yard page is at {address}/ ; end it with Ctrl-C.")
        say(f"Photos, queue and ledger: {yard_settings.folder}")
        for name in () if open_lot else lots or ["Yard"]:
            say(_tell_code(yard, name, address, new_code=new_codes, show=show_codes))
        _refuse_unknown_lots(settings, yard)
        if _is_every_address(host) and not public_url:
            say(f"In place of {host} a phone needs this machine's name or address on its network.")
        if not alone and not public_url:
            say(TLS_ADVICE.format(port=port), err=True)
        sys.stdout.flush()  # also where it is a file or a pipe: the page now serves for days
        config = uvicorn.Config(
            create_app(yard),
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=bool(public_url),
            forwarded_allow_ips=settings["trusted_proxies"],
            http=make_protocol(yard_settings.limits, behind_proxy=bool(public_url)),
            timeout_graceful_shutdown=10,
        )
        uvicorn.Server(config).run(sockets=[listener])
    except KeyboardInterrupt:  # both ways to end it are the ordinary one
        pass
    finally:
        yard.close()


def _refuse_unknown_lots(settings: "ServeSettings", yard: "Yard") -> None:
    """A name typed wrong would leave its lot as it is, unsaid."""
    from plugface.cli.web.settings import SettingsError

    (said,) = (setting for setting in settings.all if setting.key == "shared_lots")
    for name in said.value:
        if yard.queue.lot(name=name) is None:
            names = ", ".join(f'"{lot.name}"' for lot in yard.queue.lots())
            raise SettingsError(said.source, said.key, f'there is no lot "{name}"', f"There are {names}")


def _tell_code(yard: "Yard", name: str, address: str, *, new_code: bool, show: bool) -> str:
    """Add a lot; what to say of its code."""
    from plugface.cli.web.codes import CodeFile

    code = yard.add_lot(name, new_code=new_code)
    if code is None:
        return f'Lot "{name}": its access code stays what it was; --new-codes makes another'
    file, link = CodeFile(yard.settings.folder), f"{address}/enter#{code}"
    file.add(name, "", code, link)
    if show:
        return f'Lot "{name}": access code {code} (as a link: {link}); it is in {file.path} too'
    return f'Lot "{name}": its new access code is in {file.path}'


def _end(*_signal: object) -> None:
    raise KeyboardInterrupt


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise typer.BadParameter(
            f"cannot listen on {host}, port {port}: {reason}; name another --host or --port"
        ) from None


def _is_every_address(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_unspecified
    except ValueError:
        return False
