#!/usr/bin/env bash
# Make a Debian root of 64-bit Arm with Python and the wheels of every dependency; nothing of it runs here.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
top=$(cd "$here/../.." && pwd)
root=$here/build/arm64/debian
command -v debootstrap >/dev/null || { apt-get update -qq && apt-get install -y -qq debootstrap; }
mirror=${MIRROR:-$(grep -rhoE '^(URIs: +|deb +)(\[[^]]*\] +)?https?://[^ ]+/debian/?( |$)' /etc/apt/sources.list* 2>/dev/null | grep -oE 'https?://[^ ]+' | head -1)}
if [ ! -e "$root/usr/bin/python3" ]; then
  mkdir -p "$root"
  debootstrap --arch=arm64 --foreign --variant=minbase --include=python3,ca-certificates bookworm "$root" "$mirror" \
    > "$here/build/arm64/debootstrap.log"
  for package in "$root"/var/cache/apt/archives/*.deb; do dpkg -x "$package" "$root"; done
fi
if [ ! -d "$root/site" ]; then
  platforms=()
  for p in manylinux_2_28 manylinux_2_27 manylinux_2_26 manylinux_2_24 manylinux_2_17 manylinux2014; do
    platforms+=(--platform "${p}_aarch64")
  done
  python3 - "$top/pyproject.toml" > "$here/build/arm64/requirements.txt" <<'P'
import sys, tomllib
project = tomllib.load(open(sys.argv[1], "rb"))["project"]
extras = project["optional-dependencies"]
print("\n".join(project["dependencies"] + [d for e in ("page", "notify", "mqtt", "fleet") for d in extras[e]]))
P
  "$top/.venv/bin/python" -m pip install --quiet --target "$root/site" --only-binary=:all: "${platforms[@]}" \
    --implementation cp --python-version 3.11 --no-compile -r "$here/build/arm64/requirements.txt"
fi
rm -rf "$root/src" && mkdir -p "$root/src"
git -C "$top" archive HEAD | tar -x -C "$root/src"
echo "root of $(du -sh "$root" 2>/dev/null | cut -f1) ready"
