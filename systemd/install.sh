#!/bin/sh
# Install, upgrade or uninstall bankbook as a service. Run as root from the source tree or with a wheel.
#
#   systemd/install.sh install   [WHEEL]     first time
#   systemd/install.sh upgrade   [WHEEL]     keeps the record and bank.toml; goes back if the new one does not start
#   systemd/install.sh uninstall             takes everything away but the record
#   systemd/install.sh uninstall --with-record
set -eu

HOME_DIR=/opt/bankbook
DATA=/var/lib/bankbook
UNITS=/etc/systemd/system
RULES=/etc/udev/rules.d
PYTHON=${PYTHON:-python3}
# Optional parts, for example EXTRAS=notify,mqtt,page; those of the last time if not given.
EXTRAS=${EXTRAS-$(cat "$HOME_DIR/extras" 2>/dev/null || true)}
here=$(cd "$(dirname "$0")" && pwd)

say() { echo "bankbook: $*"; }
die() { echo "bankbook: $*" >&2; exit 1; }
running() { [ -d /run/systemd/system ]; }   # false in a chroot or container without systemd
ctl() { if running; then systemctl "$@"; fi; }
enable() { if command -v systemctl >/dev/null; then systemctl enable "$@"; fi; }   # also in an image being made

[ "$(id -u)" = 0 ] || die "must be run as root: sudo $0 $*"

check_python() {
    "$PYTHON" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null \
        || die "needs Python 3.11 or newer; name another with PYTHON=/path/to/python3"
    "$PYTHON" -c 'import ensurepip' 2>/dev/null || die "needs the venv module: apt-get install python3-venv"
}

make_release() {   # $1: what to install; prints the folder
    what=$1
    [ -z "$EXTRAS" ] || what="$what[$EXTRAS]"
    release="$HOME_DIR/releases/$(date -u +%Y%m%dT%H%M%SZ)-$$"
    mkdir -p "$HOME_DIR/releases"
    "$PYTHON" -m venv "$release"
    "$release/bin/python" -m pip install --quiet --disable-pip-version-check "$what" >&2 || {
        rm -rf "$release"; die "pip could not install $what; nothing was changed"; }
    "$release/bin/bankbook" --version >&2 || { rm -rf "$release"; die "the new release does not start; nothing was changed"; }
    echo "$release"
}

point_to() { ln -sfn "$1" "$HOME_DIR/venv.new" && mv -T "$HOME_DIR/venv.new" "$HOME_DIR/venv"; }

place_files() {
    echo "$EXTRAS" > "$HOME_DIR/extras"
    install -d "$UNITS" "$RULES"
    install -m 0644 "$here/bankbook.service" "$here/bankbook-week.service" "$here/bankbook-week.timer" \
        "$here/bankbook-can@.service" "$here/bankbook-page.service" "$UNITS/"
    install -m 0644 "$here/70-bankbook-serial.rules" "$RULES/"
    ln -sfn "$HOME_DIR/venv/bin/bankbook" /usr/local/bin/bankbook
    ctl daemon-reload
    if command -v udevadm >/dev/null && running; then udevadm control --reload && udevadm trigger --subsystem-match=tty; fi
}

make_user() {
    getent group dialout >/dev/null || groupadd --system dialout
    getent passwd bankbook >/dev/null \
        || useradd --system --home-dir "$DATA" --no-create-home --shell /usr/sbin/nologin --groups dialout bankbook
    install -d -o bankbook -g bankbook -m 0750 "$DATA"
}

prune() {   # keep this release and the one before
    current=$(readlink "$HOME_DIR/venv")
    ls -1d "$HOME_DIR"/releases/* | sort -r | tail -n +3 | while read -r old; do
        [ "$old" = "$current" ] || rm -rf "$old"
    done
}

as_bankbook() { runuser -u bankbook -- "$@"; }

do_install() {
    [ ! -e "$HOME_DIR/venv" ] || die "is installed already; use: $0 upgrade"
    check_python
    release=$(make_release "${1:-$here/..}")
    make_user
    point_to "$release"
    place_files
    enable bankbook-week.timer bankbook.service
    ctl start bankbook-week.timer
    if [ -e "$DATA/bank.toml" ]; then
        ctl restart bankbook.service
        say "installed and started"
    else
        say "installed. Next, describe the bank:"
        say "  sudo -u bankbook bankbook setup --config $DATA/bank.toml"
        say "  sudo systemctl start bankbook"
    fi
}

do_upgrade() {
    [ -e "$HOME_DIR/venv" ] || die "is not installed; use: $0 install"
    check_python
    before=$(readlink "$HOME_DIR/venv")
    release=$(make_release "${1:-$here/..}")
    was_running=no
    if running && systemctl is-active --quiet bankbook.service; then was_running=yes; fi
    ctl stop bankbook.service
    if [ -e "$DATA/bank.db" ] && [ -e "$DATA/bank.toml" ]; then
        as_bankbook "$before/bin/bankbook" backup --config "$DATA/bank.toml" "$DATA/before-upgrade.db" \
            || { [ "$was_running" = no ] || ctl start bankbook.service; die "the record could not be copied; nothing was changed"; }
    fi
    point_to "$release"
    place_files
    if [ "$was_running" = yes ] && ! systemctl start bankbook.service; then
        point_to "$before"
        systemctl start bankbook.service || true
        die "the new release did not start and the old one was put back; see: journalctl -u bankbook"
    fi
    if running; then systemctl try-restart bankbook-page.service || true; fi
    prune
    say "upgraded to $("$HOME_DIR/venv/bin/bankbook" --version); the record from before is $DATA/before-upgrade.db"
}

do_uninstall() {
    ctl disable --now bankbook.service bankbook-page.service bankbook-week.timer || true
    rm -f "$UNITS/bankbook.service" "$UNITS/bankbook-week.service" "$UNITS/bankbook-week.timer" \
        "$UNITS/bankbook-can@.service" "$UNITS/bankbook-page.service" "$RULES/70-bankbook-serial.rules" /usr/local/bin/bankbook
    rm -rf "$HOME_DIR" /var/cache/bankbook
    ctl daemon-reload
    if [ "${1:-}" = --with-record ]; then
        rm -rf "$DATA"
        if getent passwd bankbook >/dev/null; then userdel bankbook; fi
        say "uninstalled, and the record is gone"
    else
        say "uninstalled; the record is still in $DATA"
    fi
}

case "${1:-}" in
    install)   shift; do_install "$@" ;;
    upgrade)   shift; do_upgrade "$@" ;;
    uninstall) shift; do_uninstall "$@" ;;
    *) die "usage: $0 install [WHEEL] | upgrade [WHEEL] | uninstall [--with-record]" ;;
esac
