#!/bin/sh
# Make the README's pictures from the demo: the first page of the week, and the live view in a terminal.
# Needs chromium (Debian's package). Usage: sample_data/pictures/make.sh [FOLDER OF A DEMO]
set -eu
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
bin="$root/.venv/bin"
folder=${1:-$(mktemp -d)/demo}
[ -e "$folder/bank.db" ] || "$bin/bankbook" demo --folder "$folder"
week=$(ls "$folder"/reports/week-*.html | tail -n 1)

shoot() {   # page, picture, width, height
    chromium --headless --no-sandbox --hide-scrollbars --force-color-profile=srgb --window-size="$3,$4" \
        --screenshot="$2" "file://$(realpath "$1")" >/dev/null 2>&1
}

shoot "$week" "$here/week.png" 1000 1100
"$bin/python" -P - "$folder" "$here" <<'PY'
"""Draw the live view of the demo's last reading as an SVG in a page of its own."""
import sys
from pathlib import Path

from rich._export_format import CONSOLE_SVG_FORMAT
from rich.console import Console

from logger.config import Config
from logger.live import Views
from logger.now import screen
from logger.record.opening import open_record

folder, here = map(Path, sys.argv[1:])
config = Config.load(folder / "bank.toml")
with open_record(config) as store:
    views = Views(store, config)
    packs = views.update()
    now_s = max(view.newest_s or 0 for view in packs) + 1
    witnesses = views.witnesses(now_s)
console = Console(width=80, record=True, force_terminal=True, file=open("/dev/null", "w"))
console.print(screen(packs, now_s, width=80, witnesses=witnesses))
bare = CONSOLE_SVG_FORMAT.replace("{chrome}", "")  # a terminal without a window around it
svg = console.export_svg(title="", code_format=bare)
page = f'<!doctype html><meta charset="utf-8"><body style="margin:0;background:#191c1d">{svg.replace("<svg ", "<svg width=1000 ", 1)}'
(folder / "now.html").write_text(page, encoding="utf-8")
PY
shoot "$folder/now.html" "$here/now.png" 1000 640
ls -l "$here"/*.png
