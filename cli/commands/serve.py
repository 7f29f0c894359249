"""plugface serve: the yard page, for phones and for other programs."""

import ipaddress
import os
import signal
import socket
from pathlib import Path
from typing import Annotated

import platformdirs
import typer
from plugface.cli.commands import options
from plugface.cli.present.plain_text import say
from plugface.cli.settings import default_catalogue

TLS_ADVICE = (
    "This page speaks plain HTTP: on a network, anyone near can read the photos and the code. Put TLS in "
    "front: a reverse proxy with a certificate that hands on to http://127.0.0.1:{port}, keeps the Host "
    "header and sets X-Forwarded-For and X-Forwarded-Proto. Let this page listen on 127.0.0.1 and start it "
    "with --public-url https://NAME."
)


def serve(
    catalogue: options.CatalogueFolder = None,
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
    host: Annotated[str, typer.Option("--host", help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=1, max=65535)] = 8017,
    public_url: Annotated[
        str,
        typer.Option("--public-url", metavar="URL", help="https address of a proxy in front of this page."),
    ] = "",
    workers: Annotated[int, typer.Option("--workers", min=1, max=16, help="Units looked at at once.")] = 1,
    text: Annotated[
        Path | None,
        typer.Option("--words", metavar="FILE", help="The page's text, translated.", show_default=False),
    ] = None,
) -> None:
    """Serve the yard page: photograph a unit with a phone, get the answer on the phone.

    Without options the page is for this machine alone and needs no code. On another address, behind a proxy
    (--public-url), or with --lot, each lot has an access code, which is shown once and kept as a hash only.

    Exit code: 0 when it was ended, 2 when the folder, the catalogue or the address cannot be used.
    """
    import uvicorn
    from plugface.cli.web.app import create_app
    from plugface.cli.web.connections import make_protocol
    from plugface.cli.web.words import ENGLISH, load_words
    from plugface.cli.web.yard import Yard, YardSettings

    if public_url and not public_url.startswith("https://"):
        raise typer.BadParameter("--public-url begins with https://; without TLS leave it out")
    if lots and not all(name.strip() for name in lots):
        raise typer.BadParameter("a lot needs a name")
    alone = _is_loopback(host) and not public_url
    open_lot = alone and not lots
    door = _listen(host, port)
    settings = YardSettings(
        folder=folder or platformdirs.user_data_path("plugface") / "yard",
        catalogue=(catalogue or default_catalogue()).resolve(),
        open_lot=open_lot,
        local_names=alone,
        public_url=public_url,
        workers=workers,
        words=load_words(text or ENGLISH),
    )
    # uvicorn hands a signal on once it has ended; unhandled, it would end us before the files are closed, and
    # the newest rows would be in the write-ahead log alone, which a copy of ledger.sqlite lacks.
    signal.signal(signal.SIGTERM, _end)
    os.umask(0o077)  # photos, queue and ledger are for the account that runs the page alone
    yard = Yard(settings)
    address = public_url or f"http://{f'[{host}]' if ':' in host else host}:{port}"
    try:
        say(f"The yard page is at {address}/ ; end it with Ctrl-C.")
        say(f"Photos, queue and ledger: {settings.folder}")
        for name in () if open_lot else lots or ["Yard"]:
            code = yard.add_lot(name.strip(), new_code=new_codes)
            say(
                f'Lot "{name}": access code {code} (shown this once; as a link: {address}/enter#{code})'
                if code
                else f'Lot "{name}": its access code stays what it was; --new-codes makes another'
            )
        if _is_every_address(host) and not public_url:
            say(f"In place of {host} a phone needs this machine's name or address on its network.")
        if not alone and not public_url:
            say(TLS_ADVICE.format(port=port), err=True)
        config = uvicorn.Config(
            create_app(yard),
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=bool(public_url),
            forwarded_allow_ips="127.0.0.1,::1",
            http=make_protocol(settings.limits, behind_proxy=bool(public_url)),
            timeout_graceful_shutdown=10,
        )
        uvicorn.Server(config).run(sockets=[door])
    except KeyboardInterrupt:  # both ways to end it are the ordinary one
        pass
    finally:
        yard.close()


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


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
