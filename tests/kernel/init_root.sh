#!/usr/bin/env bash
# Make a Debian root with debootstrap and install bankbook in it by systemd/install.sh, as a person would.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
top=$(cd "$here/../.." && pwd)
root=${1:-$here/build/debian}
command -v debootstrap >/dev/null || { apt-get update -qq && apt-get install -y -qq debootstrap; }
mirror=${MIRROR:-$(grep -rhoE '^(URIs: +|deb +)(\[[^]]*\] +)?https?://[^ ]+/debian/?( |$)' /etc/apt/sources.list* 2>/dev/null | grep -oE 'https?://[^ ]+' | head -1)}
if [ ! -x "$root/usr/bin/python3" ]; then
  debootstrap --variant=minbase \
    --include=systemd,systemd-sysv,dbus,udev,python3,python3-venv,iproute2,kmod,ca-certificates \
    bookworm "$root" "$mirror" > "$here/build/debootstrap.log"
fi
# What pip needs to reach its registry, and what this machine trusts.
cp -L /etc/resolv.conf "$root/etc/resolv.conf"
[ -e /etc/pip.conf ] && cp /etc/pip.conf "$root/etc/pip.conf"
rm -f "$root/etc/ssl/certs/ca-certificates.crt"
cp -L /etc/ssl/certs/ca-certificates.crt "$root/etc/ssl/certs/"
rm -rf "$root/src" && mkdir -p "$root/src"
git -C "$top" archive HEAD | tar -x -C "$root/src"
mkdir -p "$root/root/.cache"
for m in proc sys dev; do mountpoint -q "$root/$m" || mount --bind "/$m" "$root/$m"; done
cleanup() { for m in dev sys proc; do umount -l "$root/$m" || true; done; }
trap cleanup EXIT
run() { chroot "$root" /usr/bin/env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/root "$@"; }
if [ ! -L "$root/opt/bankbook/venv" ]; then  # a link that is whole only inside
  run /src/systemd/install.sh install
else
  run /src/systemd/install.sh upgrade
fi
run systemctl is-enabled bankbook.service bankbook-week.timer
install -o "$(chroot "$root" id -u bankbook)" -g "$(chroot "$root" id -g bankbook)" -m 0640 \
  "$here/init_bank.toml" "$root/var/lib/bankbook/bank.toml"
cp "$here/init_check.py" "$root/usr/local/sbin/bench-check"
chmod +x "$root/usr/local/sbin/bench-check"
cat > "$root/etc/systemd/system/bench.service" <<'U'
[Unit]
Description=Look at the service from outside, then power off
[Service]
Type=exec
ExecStart=/usr/local/sbin/bench-check
StandardOutput=tty
StandardError=tty
TTYPath=/dev/ttyS0
[Install]
WantedBy=multi-user.target
U
# The bench shall not wait the full minute for the watchdog.
mkdir -p "$root/etc/systemd/system/bankbook.service.d"
printf '[Service]\nWatchdogSec=20\n' > "$root/etc/systemd/system/bankbook.service.d/bench.conf"
ln -sf ../bench.service "$root/etc/systemd/system/multi-user.target.wants/bench.service"
ln -sf /dev/null "$root/etc/systemd/system/serial-getty@ttyS0.service"  # it would hang up the console
echo "root of $(du -sh "$root" 2>/dev/null | cut -f1) ready"
