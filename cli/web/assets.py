"""What the page is made of, under one version: scripts, pictures, words, and what keeps them on a phone.

The version is a hash over all of it and stands in the address of each file, so that a page never mixes
scripts of two versions, and a phone that keeps a version keeps all of it or nothing.
"""

import gzip
import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path

from anyio import to_thread
from fastapi.responses import FileResponse, Response
from fastapi.staticfiles import StaticFiles
from plugface.cli.web.guard import READER_POLICY
from plugface.cli.web.icons import ICONS, draw_icon
from plugface.cli.web.words import Words
from starlette.datastructures import Headers
from starlette.types import Scope

_HERE = Path(__file__).parent
_STATIC, _TEMPLATES = _HERE / "static", _HERE / "templates"

#: What other people made and is needed only for reading barcodes; fetched when the page has nothing to do.
VENDORED = "vendor/"

#: What other people made and is needed only for looking for plugs; not fetched before, and kept from then on.
RUNTIME = "vendor/onnxruntime/"

#: The scripts that may run WebAssembly, each in a worker; no page may.
READERS = ("barcode_worker.js", "plugs_worker.js")

#: The page that opens where there is no signal. It knows nothing of any lot.
OFFLINE = "/offline"

_YEAR = "public, max-age=31536000, immutable"
_KINDS = {".js": "text/javascript", ".png": "image/png"}


@dataclass(frozen=True)
class Assets:
    """The page's own files."""

    version: str
    made: Mapping[str, bytes]  # files that lie in no folder, by their name
    names: tuple[str, ...]  # of all files, those in folders too
    lasting: Mapping[str, Path]  # by an address that holds their digest: what outlives a version

    @property
    def path(self) -> str:
        """What the address of each file begins with."""
        return f"/static/v-{self.version}"

    def service_worker(self) -> str:
        """The script that keeps the page on a phone, with the list of what it keeps."""
        helpers = [f"{self.path}/{name}" for name in self.names if name.startswith(VENDORED)]
        files = [f"{self.path}/{name}" for name in self.names if not name.startswith(VENDORED)]
        late = [f"/static/{name}" for name in self.lasting]
        kept = {"version": self.version, "offline": OFFLINE, "files": files, "helpers": helpers}
        kept |= {"late": late and [*late, f"{self.path}/{RUNTIME}ort.wasm-core.min.js"], "lasting": late}
        script = (_STATIC / "service_worker.js").read_text(encoding="utf-8")
        return f"const KEPT = {json.dumps(kept)};\n{script}"

    def manifest(self, words: Words) -> dict[str, object]:
        """What a phone asks for to install the page (W3C, Web Application Manifest)."""
        return {
            "id": "/",
            "name": words("page.title"),
            "short_name": "plugface",
            "description": words("capture.title"),
            "lang": words("page.lang"),
            "start_url": "/",
            "scope": "/",
            "display": "standalone",
            "background_color": "#ffffff",
            "theme_color": "#0b5a6e",
            "icons": [
                {"src": f"{self.path}/{name}", "sizes": f"{icon.side}x{icon.side}", "type": "image/png"}
                | {"purpose": "maskable" if icon.maskable else "any"}
                for name, icon in ICONS.items()
            ]
            + [{"src": f"{self.path}/mark.svg", "sizes": "any", "type": "image/svg+xml", "purpose": "any"}],
        }


def gather_assets(
    modules: Mapping[str, object], also: str = "", lasting: Mapping[str, Path] | None = None
) -> Assets:
    """The page's files and their version.

    Parameters
    ----------
    modules : mapping
        Name of a script -> the values that it gives as its default export.
    also : str
        What else the pages are made of.
    lasting : mapping, optional
        Files that lie elsewhere, by their address, which holds their digest.
    """
    made = {name: _module(values) for name, values in modules.items()}
    made |= {name: draw_icon(icon) for name, icon in ICONS.items()}
    lying = {file.relative_to(_STATIC).as_posix(): file for file in _STATIC.rglob("*") if file.is_file()}
    digest = hashlib.sha256(also.encode())
    readers: dict[str, Callable[[], bytes]] = {name: partial(bytes, data) for name, data in made.items()}
    readers |= {name: file.read_bytes for name, file in lying.items()}
    readers |= {f"templates/{file.name}": file.read_bytes for file in _TEMPLATES.iterdir() if file.is_file()}
    for name in sorted(readers):
        digest.update(name.encode() + b"\0" + hashlib.sha256(readers[name]()).digest())
    unkept = ("service_worker.js", "README.md", "SOURCES.toml")
    every = {*made, *lying} - {name for name in lying if name.startswith(RUNTIME)}
    names = tuple(sorted(n for n in every if not n.endswith(unkept) and "LICENSE" not in n))
    return Assets(digest.hexdigest()[:16], made, names, lasting or {})


class AssetFiles(StaticFiles):
    """Serves the page's files, by their name alone or behind a version.

    Only behind the version that is in force may a browser keep one without asking again; an old page is given
    what there is now.
    """

    def __init__(self, assets: Assets) -> None:
        super().__init__(directory=_STATIC)
        self._assets = assets

    async def get_response(self, path: str, scope: Scope) -> Response:
        """The file, whether it lies in the folder or was made."""
        path = path.replace("\\", "/")
        if path in self._assets.lasting:
            return await _give_lasting(self._assets.lasting[path], Headers(scope=scope))
        version, _, name = path.partition("/")
        if not version.startswith("v-"):
            version, name = "", path
        made = self._assets.made.get(name)
        if made is not None:
            answer = Response(made, media_type=_KINDS[Path(name).suffix])
        else:
            answer = await super().get_response(name, scope)
        if version == f"v-{self._assets.version}" and answer.status_code == 200:
            answer.headers["cache-control"] = _YEAR
        if name in READERS:
            answer.headers["content-security-policy"] = READER_POLICY
        return answer


async def _give_lasting(file: Path, asked: Headers) -> Response:
    """A file that never changes under its address; compiled code is a quarter as long when compressed."""
    headers = {"cache-control": _YEAR, "vary": "accept-encoding"}
    if file.suffix != ".wasm":
        return FileResponse(file, media_type="application/octet-stream", headers=headers)
    if "gzip" not in asked.get("accept-encoding", ""):
        return FileResponse(file, media_type="application/wasm", headers=headers)
    data = await to_thread.run_sync(_compressed, file)
    return Response(data, media_type="application/wasm", headers=headers | {"content-encoding": "gzip"})


@lru_cache(maxsize=2)
def _compressed(file: Path) -> bytes:
    return gzip.compress(file.read_bytes(), compresslevel=6, mtime=0)


def _module(values: object) -> bytes:
    return f"export default {json.dumps(values, ensure_ascii=False)};\n".encode()
