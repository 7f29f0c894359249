#!/bin/sh
# Put plugface, as the lock has it, under ROOT/opt/plugface, where the service and the container find it.
#
#   sh cli/deploy/build_root.sh ROOT        in a checkout; needs uv and Python 3.11 to 3.13, and no compiler
#
# It asks package registries and nothing else, but where there is no such Python: then uv brings one along, to
# ROOT/opt/plugface/python. Beyond that a machine needs a C library and Python's own.
set -eu
root=${1:?"usage: build_root.sh ROOT"}
checkout=$(cd "$(dirname "$0")/../.." && pwd)
place=$root/opt/plugface

mkdir -p "$place" "$root/etc/plugface" "$root/var/lib/plugface"
cd "$checkout"
# Copies, since a link into a cache could be changed from there; compiled, since nothing is written later.
UV_PROJECT_ENVIRONMENT=$place/venv UV_PYTHON_INSTALL_DIR=${UV_PYTHON_INSTALL_DIR:-$place/python} \
    UV_LINK_MODE=${UV_LINK_MODE:-copy} UV_COMPILE_BYTECODE=${UV_COMPILE_BYTECODE:-1} \
    uv sync --locked --no-dev --no-editable --quiet
# The commands in it begin with the path they were made under, and it links to its Python by that path; here
# they will be called by the one they lie at.
"$place/venv/bin/python" - "$place" /opt/plugface <<'EOF'
import pathlib
import sys

made, called = map(pathlib.Path, sys.argv[1:])
for script in (made / "venv" / "bin").iterdir():
    if script.is_symlink() and script.readlink().is_relative_to(made):
        target = called / script.readlink().relative_to(made)
        script.unlink()
        script.symlink_to(target)
    elif script.is_file() and not script.is_symlink() and script.read_bytes()[:2] == b"#!":
        _, _, rest = script.read_bytes().partition(b"\n")
        script.write_bytes(f"#!{called}/venv/bin/python\n".encode() + rest)
settings = made / "venv" / "pyvenv.cfg"
settings.write_text(settings.read_text().replace(f"{made}/", f"{called}/"))
EOF
case $(readlink "$place/venv/bin/python") in
/root/* | /home/* | /run/user/*)
    echo "warning: $(readlink "$place/venv/bin/python") lies in a home, which the service may not see." >&2
    echo "Name another Python with UV_PYTHON, or let uv bring one: UV_PYTHON_PREFERENCE=only-managed" >&2
    ;;
esac
cp "$checkout/cli/deploy/yard.toml" "$root/etc/plugface/yard.toml.example"
