#!/bin/sh
# Put plugface, as the lock has it, under ROOT/opt/plugface, where the service and the container find it.
#
#   sh cli/deploy/build_root.sh ROOT        in a checkout; needs uv and Python 3.11 to 3.13, and no compiler
#
# It asks package registries and nothing else. Beyond that a machine needs a C library and Python's own.
set -eu
root=${1:?"usage: build_root.sh ROOT"}
checkout=$(cd "$(dirname "$0")/../.." && pwd)
place=$root/opt/plugface

mkdir -p "$place" "$root/etc/plugface" "$root/var/lib/plugface"
cd "$checkout"
# Copies, since a link into a cache could be changed from there; compiled, since nothing is written later.
UV_PROJECT_ENVIRONMENT=$place/venv UV_LINK_MODE=${UV_LINK_MODE:-copy} \
    UV_COMPILE_BYTECODE=${UV_COMPILE_BYTECODE:-1} uv sync --locked --no-dev --no-editable --quiet
# The commands in it begin with the path they were made under; here they will be called by the one they lie at.
"$place/venv/bin/python" - "$place/venv/bin" "/opt/plugface/venv/bin/python" <<'EOF'
import pathlib
import sys

for script in pathlib.Path(sys.argv[1]).iterdir():
    if script.is_file() and not script.is_symlink() and script.read_bytes()[:2] == b"#!":
        _, _, rest = script.read_bytes().partition(b"\n")
        script.write_bytes(f"#!{sys.argv[2]}\n".encode() + rest)
EOF
cp "$checkout/cli/deploy/yard.toml" "$root/etc/plugface/yard.toml.example"
