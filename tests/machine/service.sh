#!/bin/sh
# The service under a real service manager: a small Debian root with systemd, in the emulator. The search must be started
# at boot, restarted when it is killed (the rig model's resets kill it), and go on after the machine is reset.
#
#   sh tests/machine/service.sh --binary FILE --emulate FILE --work DIR
#
# Needs, beside what nights.sh needs, root and debootstrap with a package archive in reach (once: the root is kept in DIR).
# Exit status 77 with a reason where one is missing.
set -u

here=$(cd "$(dirname "$0")" && pwd)
source=$(cd "$here/../.." && pwd)
binary="" emulate="" work=""
while [ $# -gt 1 ]; do
    case $1 in
    --binary) binary=$2 ;;
    --emulate) emulate=$2 ;;
    --work) work=$2 ;;
    *) echo "service.sh: unknown argument $1" >&2; exit 2 ;;
    esac
    shift 2
done
[ -x "$binary" ] && [ -x "$emulate" ] && [ -n "$work" ] || { echo "service.sh: --binary, --emulate and --work are needed" >&2; exit 2; }
PATH=$PATH:/sbin:/usr/sbin
mkdir -p "$work"
work=$(cd "$work" && pwd)

skip() { echo "skipped: $*"; exit 77; }
failures=0
holds() { # pattern, words
    grep -aqE "$1" "$work/service.log" && return
    echo "  FAILED: $2 ($1 is not in $work/service.log)"
    failures=$((failures + 1))
}
[ "$(id -u)" -eq 0 ] || skip "only root can make a root file system"
for tool in qemu-system-x86_64 debootstrap mke2fs cpio; do
    command -v $tool >/dev/null || skip "$tool is not installed"
done

# --- the root: Debian's, the program with its libraries, its units, a run that has begun ---
root=$work/root
if [ ! -e "$work/root.done" ]; then
    rm -rf "$root"
    debootstrap --variant=minbase --include=systemd,systemd-sysv,udev,dbus,kmod bookworm "$root" >"$work/debootstrap.log" 2>&1 ||
        skip "no Debian root can be made: $(tail -n 1 "$work/debootstrap.log")"
    : >"$work/root.done"
fi
cp "$binary" "$root/usr/local/bin/holdfast"
ldd "$binary" | sed -n 's/.*=> \(\/[^ ]*\).*/\1/p' | while read -r library; do
    [ -e "$root$library" ] || { mkdir -p "$root$(dirname "$library")" && cp -L "$library" "$root$library"; }
done
units=$root/usr/local/lib/systemd/system
mkdir -p "$units"
sed 's|@HOLDFAST_BINARY@|/usr/local/bin/holdfast|' "$source/profiles/service/holdfast@.service.in" >"$units/holdfast@.service"
cp "$source/profiles/service/holdfast-awake.service" "$units/"
cat >"$work/profile.json" <<'JSON'
{
  "format": 1, "name": "heron", "base_clock_mhz": 100,
  "ratio": { "lowest": 34, "highest": 60, "step": 0.25, "baseline": 36 },
  "groups": [ { "name": "g0", "cpus": "0-1" }, { "name": "g1", "cpus": "2-3" } ],
  "driver": "rig", "temperature": { "limit_c": 95 }, "mix": "quick",
  "search": { "method": "bisect", "claim_hours": 24, "confidence": 0.95, "soak_hours": 1, "baseline_minutes": 2, "seed": "1" },
  "rig": { "seed": "7", "clock_factor": 300 }
}
JSON
rm -rf "$root/var/lib/holdfast" "$root"/etc/systemd/system/multi-user.target.wants/holdfast* "$root"/etc/systemd/system/holdfast*
mkdir -p "$root/var/lib/holdfast" "$root/run/systemd/system" "$root/proc"
"$binary" search --profile "$work/profile.json" --run "$root/var/lib/holdfast/heron" --lines --for 1s >"$work/begin.log" 2>&1
mount -t proc proc "$root/proc" || skip "proc cannot be mounted"
chroot "$root" /usr/local/bin/holdfast search --install-service --run /var/lib/holdfast/heron --guard on >"$work/install.log" 2>&1
status=$?
umount "$root/proc" || { echo "proc is still mounted in $root"; exit 1; }
rm -rf "$root/run/systemd"
[ $status -eq 0 ] || { cat "$work/install.log"; exit 1; }
rm -f "$work/root.img"
mke2fs -q -t ext4 -d "$root" "$work/root.img" 800m >/dev/null || exit 1

# --- the kernel, and an initial file system that hands over to it ---
sh "$source/profiles/boot-image/build.sh" --binary "$binary" --out "$work/image" --disk-mb 64 --no-boot >"$work/image.log" 2>&1
status=$?
[ $status -ne 4 ] || skip "$(tail -n 1 "$work/image.log")"
[ $status -eq 0 ] || { cat "$work/image.log"; exit 1; }
rm -rf "$work/initial"
cp -r "$work/image/root" "$work/initial"
rm -f "$work/initial/bin/holdfast"
cat >"$work/initial/init" <<'INIT'
#!/bin/sh
export PATH=/bin
mount -t proc proc /proc; mount -t sysfs sysfs /sys; mount -t devtmpfs dev /dev
while read -r module; do modprobe -q "$module" 2>/dev/null; done </etc/modules
mkdir -p /new; mount -t ext4 /dev/vda /new || exec sh
umount /proc /sys; mount --move /dev /new/dev
exec switch_root /new /sbin/init
INIT
(cd "$work/initial" && find . | sort | cpio --quiet -o -H newc -R 0:0 | gzip -1 -n) >"$work/initial.gz"

# --- the night: the search is killed by the rig model's resets and started again, the machine is reset under it, and in the
# end it says why it stops (parked, after three of them): then it is not started again, and the machine may sleep ---
"$emulate" --log "$work/service.log" --limit 600 --when 'restart counter is at 2' system_reset \
    --when 'holdfast@.*Deactivated successfully' 'info status' --when 'Stopped holdfast-awake' quit -- \
    qemu-system-x86_64 -nodefaults -no-user-config -display none -accel tcg,thread=single -machine q35 -m 768 \
    -cpu Skylake-Server,+mce,+mca -smp 4,sockets=1,dies=2,cores=1,threads=2 -device i6300esb -action watchdog=reset \
    -serial stdio -kernel "$work/image/vmlinuz" -initrd "$work/initial.gz" \
    -append "console=ttyS0 quiet panic=1 systemd.journald.forward_to_console=1" -drive "file=$work/root.img,format=raw,if=virtio"
holds 'Started holdfast@var-lib-holdfast-heron.service' "the service did not get ready"
holds 'Started holdfast-awake.service' "sleep was not inhibited"
holds 'watchdog i6300ESB timer' "the sandbox kept the watchdog from the search"
holds 'restart counter is at 2' "a search that was killed was not started again, or only once"
holds 'monitor. system_reset' "the machine was not reset"
[ "$(grep -ac 'Started holdfast@var-lib-holdfast-heron.service' "$work/service.log")" -ge 3 ] || {
    echo "  FAILED: the search did not go on after the machine was reset"
    failures=$((failures + 1))
}
holds 'the machine was reset while' "what was open was not settled"
holds 'holdfast.[0-9]+.: (parked|finished|stopped): ' "the search did not come to an end"
holds 'holdfast@.*Deactivated successfully' "the service did not end in good order"
holds 'Stopped holdfast-awake.service' "the machine is kept awake by nobody"
[ $failures -eq 0 ] && echo "  passed"
