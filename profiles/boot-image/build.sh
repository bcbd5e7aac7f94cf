#!/bin/sh
# Builds a bootable image: Debian's kernel, busybox, holdfast with the libraries it needs, and a file system that keeps
# the run. Written to a stick, it searches without touching the installed system.
#
#   sh profiles/boot-image/build.sh --binary FILE --out DIR [--profile FILE] [--arguments "..."] [--disk-mb N] [--no-boot]
#
# Makes in DIR: vmlinuz, initrd.gz, disk.ext4 (label HOLDFAST: profile.json, arguments, later the run) and holdfast.img,
# which boots on firmware of both kinds (--no-boot leaves that out). Needs Debian's packages, as root or not:
#   apt-get install busybox-static cpio e2fsprogs kmod grub-pc-bin grub-efi-amd64-bin grub-common xorriso mtools
# The kernel's package is fetched once into DIR (no root needed; --kernel-deb FILE uses one that is there).
set -eu

here=$(cd "$(dirname "$0")" && pwd)
binary="" out="" profile="$here/../heron.json" arguments="" disk_mb=256 boot=1 kernel_deb=""
while [ $# -gt 0 ]; do
    case $1 in
    --binary) binary=$2; shift ;;
    --out) out=$2; shift ;;
    --profile) profile=$2; shift ;;
    --arguments) arguments=$2; shift ;;
    --disk-mb) disk_mb=$2; shift ;;
    --kernel-deb) kernel_deb=$2; shift ;;
    --no-boot) boot=0 ;;
    *) echo "build.sh: unknown argument $1" >&2; exit 2 ;;
    esac
    shift
done
[ -x "$binary" ] || { echo "build.sh: --binary FILE must be the holdfast program; build it first" >&2; exit 2; }
[ -n "$out" ] || { echo "build.sh: --out DIR is missing" >&2; exit 2; }
[ -f "$profile" ] || { echo "build.sh: there is no profile $profile" >&2; exit 2; }
mkdir -p "$out"
out=$(cd "$out" && pwd)

PATH=$PATH:/sbin:/usr/sbin
for tool in busybox cpio mke2fs depmod modprobe dpkg; do
    command -v "$tool" >/dev/null || { echo "build.sh: $tool is missing; see the top of this file" >&2; exit 4; }
done

# --- the kernel, unpacked beside the image ---
if [ -z "$kernel_deb" ]; then
    # shellcheck disable=SC2012 # package names hold no odd characters
    kernel_deb=$(ls "$out"/linux-image-*.deb 2>/dev/null | tail -n 1 || true)
fi
if [ -z "$kernel_deb" ]; then
    # The generic kernel of the release: the one for clouds has no machine checks and no watchdogs.
    package=$(apt-cache depends linux-image-amd64 2>/dev/null | sed -n 's/.*Depends: *\(linux-image-[^ ]*\)/\1/p' | head -n 1)
    [ -n "$package" ] || package=$(apt-cache search --names-only '^linux-image-[0-9].*-amd64$' |
        sed 's/ .*//' | grep -v -e cloud -e rt- -e dbg | sort -V | tail -n 1)
    [ -n "$package" ] || { echo "build.sh: no kernel package is known; run apt-get update" >&2; exit 4; }
    (cd "$out" && apt-get -q download "$package" >/dev/null 2>&1) ||
        { echo "build.sh: $package cannot be fetched" >&2; exit 4; }
    kernel_deb=$(ls "$out"/linux-image-*.deb)
fi
kernel=$out/kernel
if [ ! -d "$kernel/boot" ]; then
    rm -rf "$kernel"
    dpkg -x "$kernel_deb" "$kernel"
fi
release=$(basename "$kernel"/boot/vmlinuz-* | sed 's/^vmlinuz-//')
cp "$kernel/boot/vmlinuz-$release" "$out/vmlinuz"
# dpkg -x leaves /lib as a folder of the package; modprobe looks there.
[ -f "$kernel/lib/modules/$release/modules.dep" ] || depmod -b "$kernel" "$release"

# --- the initial file system ---
root=$out/root
rm -rf "$root"
mkdir -p "$root"/bin "$root"/etc "$root"/proc "$root"/sys "$root"/dev "$root"/tmp "$root"/lib/modules
cp "$(command -v busybox)" "$root/bin/busybox"
for applet in $(busybox --list); do
    [ "$applet" = busybox ] || ln -s busybox "$root/bin/$applet"
done
cp "$here/init" "$root/init"
chmod 755 "$root/init"
cp "$binary" "$root/bin/holdfast"
# The libraries, at the paths where the loader looks for them.
ldd "$binary" | sed -n 's/.*=> \(\/[^ ]*\).*/\1/p; s/^[[:space:]]*\(\/[^ ]*ld-linux[^ ]*\).*/\1/p' | while read -r library; do
    mkdir -p "$root$(dirname "$library")"
    cp -L "$library" "$root$library"
done
strip "$root/bin/holdfast" 2>/dev/null || true

# Disks, sticks, watchdogs, clocks, sensors, error reports.
sed -e 's/#.*//' -e '/^ *$/d' "$here/modules" >"$root/etc/modules"
modprobe_paths() {
    modprobe -d "$kernel" -S "$release" --show-depends "$1" 2>/dev/null | sed -n 's/^insmod \([^ ]*\).*/\1/p'
}
while read -r module; do modprobe_paths "$module"; done <"$root/etc/modules" | sort -u | while read -r path; do
    inside=${path#"$kernel"}
    mkdir -p "$root$(dirname "$inside")"
    cp "$path" "$root$inside"
done
cp "$kernel/lib/modules/$release"/modules.builtin* "$kernel/lib/modules/$release/modules.order" "$root/lib/modules/$release/"
depmod -b "$root" "$release"
(cd "$root" && find . | sort | cpio --quiet -o -H newc -R 0:0 | gzip -1 -n) >"$out/initrd.gz"

# --- the file system that keeps the run ---
seed=$out/seed
rm -rf "$seed"
mkdir -p "$seed"
cp "$profile" "$seed/profile.json"
[ -z "$arguments" ] || printf '%s\n' "$arguments" >"$seed/arguments"
rm -f "$out/disk.ext4"
mke2fs -q -t ext4 -L HOLDFAST -m 0 -d "$seed" "$out/disk.ext4" "${disk_mb}m"
rm -rf "$seed"

# --- the whole stick ---
if [ "$boot" = 1 ]; then
    for tool in grub-mkrescue xorriso mformat; do
        command -v "$tool" >/dev/null || { echo "build.sh: $tool is missing; see the top of this file" >&2; exit 4; }
    done
    stick=$out/stick
    rm -rf "$stick"
    mkdir -p "$stick/boot/grub"
    cp "$out/vmlinuz" "$out/initrd.gz" "$stick/boot/"
    cp "$here/grub.cfg" "$stick/boot/grub/grub.cfg"
    grub-mkrescue -o "$out/holdfast.img" "$stick" -- \
        -append_partition 3 0x83 "$out/disk.ext4" -volid HOLDFAST_BOOT >"$out/image.log" 2>&1 ||
        { cat "$out/image.log" >&2; exit 1; }
    rm -rf "$stick"
fi
