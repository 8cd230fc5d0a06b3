#!/usr/bin/env bash
# Fetch Debian's kernel, unpack it (nothing is installed), and make a small initramfs in tests/kernel/build/.
# With ARCH=arm64 the same for 64-bit Arm, in tests/kernel/build/arm64/.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
arch=${ARCH:-amd64}
out=$here/build
need=(qemu-system-x86 busybox-static cpio kmod e2fsprogs iproute2)
[ "$arch" = arm64 ] && out=$out/arm64 && need+=(qemu-system-arm)
mkdir -p "$out"
apt=()   # another architecture's packages, by the same client with lists of its own
if [ "$arch" != "$(dpkg --print-architecture)" ]; then
  mkdir -p "$out"/apt/state/lists/partial "$out"/apt/cache/archives/partial && touch "$out/apt/status"
  apt=(-o "Dir::State=$out/apt/state" -o "Dir::State::status=$out/apt/status" -o "Dir::Cache=$out/apt/cache"
       -o "APT::Architecture=$arch" -o "APT::Architectures=$arch" -o APT::Sandbox::User=root)
fi
missing=()
for p in "${need[@]}"; do dpkg -s "$p" >/dev/null 2>&1 || missing+=("$p"); done
if [ ${#missing[@]} -gt 0 ]; then
  apt-get update -qq && apt-get install -y -qq "${missing[@]}"
fi
if ! ls "$out"/root/boot/vmlinuz-* >/dev/null 2>&1; then
  [ ${#apt[@]} -eq 0 ] || apt-get "${apt[@]}" update -qq
  package=$(apt-cache "${apt[@]}" depends "linux-image-$arch" | awk '/Depends: linux-image/{print $2; exit}')
  (cd "$out" && apt-get "${apt[@]}" download -qq "$package:$arch" "busybox-static:$arch" 2>/dev/null)
  dpkg -x "$out/$package"_*.deb "$out/root"
  dpkg -x "$out"/busybox-static_*.deb "$out/root"
  rm -f "$out/$package"_*.deb "$out"/busybox-static_*.deb
fi
version=$(basename "$out"/root/lib/modules/*)
cp "$out/root/boot/vmlinuz-$version" "$out/vmlinuz"
# Loaded in this order; what they depend on comes first.
want=(virtio_pci virtio_blk 9pnet_virtio 9p overlay ext4 can can-raw can-dev vcan vxcan slcan)
depmod -b "$out/root" "$version"
tree=$out/initramfs
rm -rf "$tree"
mkdir -p "$tree"/{bin,modules,proc,sys,dev,host,up,root}
busybox=$out/root/bin/busybox
cp "$([ -x "$busybox" ] && echo "$busybox" || command -v busybox)" "$tree/bin/busybox"
: > "$tree/modules/order"
add() {
  local name=$1 path dep
  path=$(modinfo -b "$out/root" -k "$version" -F filename "$name" 2>/dev/null) || return 0
  [ "$path" = "(builtin)" ] && return 0
  grep -qx "$(basename "$path")" "$tree/modules/order" && return 0
  for dep in $(modinfo -b "$out/root" -k "$version" -F depends "$name" | tr , ' '); do add "$dep"; done
  cp "$path" "$tree/modules/"
  basename "$path" >> "$tree/modules/order"
}
for m in "${want[@]}"; do add "$m"; done
# ext4's checksums are found by name at run time, not by dependency.
for m in crc32c_generic crc32c-intel crc16; do add "$m"; done
cp "$here/init" "$tree/init"
chmod +x "$tree/init"
(cd "$tree" && find . | cpio -o -H newc --quiet | gzip -1) > "$out/initramfs.gz"
echo "kernel $version, $(wc -l < "$tree/modules/order") modules, $(du -h "$out/initramfs.gz" | cut -f1) initramfs"
