#!/bin/sh
# Emulated nights: a real kernel, file system, watchdog and machine checks, in software (QEMU), with the boot image.
#
#   sh tests/machine/nights.sh --binary FILE --emulate FILE --work DIR [NIGHT...]
#
# Nights: certificates (a whole search through real resets), reboot, panic, spin and wait (one reset of each kind, the
# last by a fatal machine check), errors (a corrected machine check on a known CPU), resets (many at random moments, from
# a saved machine; HOLDFAST_RESETS says how many, default 10), power (what a disk may hold after power cuts at random
# moments of one search; HOLDFAST_CUTS, default 100), loop (a machine that resets in every trial is parked), stick (the whole image from its own boot loader). Exit
# status 77 with a reason where emulator, tools or the kernel's package cannot be had.
set -u

here=$(cd "$(dirname "$0")" && pwd)
source=$(cd "$here/../.." && pwd)
binary="" emulate="" work=""
while [ $# -gt 0 ]; do
    case $1 in
    --binary) binary=$2; shift 2 ;;
    --emulate) emulate=$2; shift 2 ;;
    --work) work=$2; shift 2 ;;
    *) break ;;
    esac
done
[ $# -gt 0 ] || set -- certificates reboot panic spin wait errors resets power loop stick
[ -x "$binary" ] && [ -x "$emulate" ] && [ -n "$work" ] || { echo "nights.sh: --binary, --emulate and --work are needed" >&2; exit 2; }
PATH=$PATH:/sbin:/usr/sbin
mkdir -p "$work"
work=$(cd "$work" && pwd)

skip() { echo "skipped: $*"; exit 77; }
for tool in qemu-system-x86_64 busybox mke2fs e2fsck debugfs cpio depmod; do
    command -v "$tool" >/dev/null || skip "$tool is not installed (apt-get install qemu-system-x86 busybox-static e2fsprogs cpio kmod)"
done

failures=0
broken() {
    echo "  FAILED: $*"
    failures=$((failures + 1))
}
holds() { # file, pattern, words
    grep -qE "$2" "$1" || broken "$3 ($2 is not in $1)"
}

# Two groups of two hardware threads, as the guest sees them: dies with a last-level cache each, and SMT.
profile() { # sed script
    sed "$1" <<'JSON'
{
  "format": 1,
  "name": "heron",
  "base_clock_mhz": 100,
  "ratio": { "lowest": 34, "highest": 48, "step": 0.25, "baseline": 36 },
  "groups": [ { "name": "g0", "cpus": "0-1" }, { "name": "g1", "cpus": "2-3" } ],
  "driver": "rig",
  "temperature": { "limit_c": 95 },
  "mix": "quick",
  "search": { "method": "belief", "claim_hours": 24, "confidence": 0.95, "soak_hours": 1, "baseline_minutes": 2, "seed": "1" },
  "rig": { "seed": "7", "clock_factor": 300 }
}
JSON
}

image() { # further arguments of build.sh
    sh "$source/profiles/boot-image/build.sh" --binary "$binary" --out "$work/image" --disk-mb 64 "$@" >"$work/image.log" 2>&1
    status=$?
    [ $status -ne 4 ] || skip "$(tail -n 1 "$work/image.log")"
    [ $status -eq 0 ] || { cat "$work/image.log"; exit 1; }
}

machine() { # night, limit in seconds, kernel words; then rules of emulate
    name=$1 limit=$2 words=$3
    shift 3
    "$emulate" --log "$work/$name.log" --limit "$limit" "$@" -- qemu-system-x86_64 -nodefaults -no-user-config \
        -display none -accel tcg,thread=single -machine q35 -m 512 -cpu Skylake-Server,+mce,+mca \
        -smp 4,sockets=1,dies=2,cores=1,threads=2 -device i6300esb -action watchdog=reset -serial stdio \
        -kernel "$work/image/vmlinuz" -initrd "$work/image/initrd.gz" \
        -append "console=ttyS0 quiet panic=1 holdfast.end=poweroff $words" \
        -drive "file=$work/image/disk.ext4,format=raw,if=virtio" \
        -object "memory-backend-file,id=store,mem-path=$work/store,size=0x10000,share=on" -device acpi-erst,memdev=store
    [ $? -ne 1 ] || broken "$name: the machine was still running after $limit s"
}

# The same machine for resets: its disk can keep a saved state, and a second serial line tells what was acknowledged.
saved_machine() { # log, limit, witness file; then rules of emulate, --, further arguments of the emulator
    log=$1 limit=$2 witness=$3
    shift 3
    rules=""
    while [ "$1" != -- ]; do
        rules="$rules '$1'"
        shift
    done
    shift
    eval "\"$emulate\" --log \"$log\" --limit $limit $rules -- qemu-system-x86_64 -nodefaults -no-user-config \
        -display none -accel tcg,thread=single -machine q35 -m 256 -cpu Skylake-Server,+mce,+mca \
        -smp 4,sockets=1,dies=2,cores=1,threads=2 -device i6300esb -action watchdog=reset -serial stdio \
        -serial \"file:$witness\" -kernel \"$work/image/vmlinuz\" -initrd \"$work/image/initrd.gz\" \
        -append 'console=ttyS0 quiet panic=1 holdfast.end=poweroff holdfast.witness=ttyS1' \
        -drive \"file=$work/image/disk.qcow2,format=qcow2,if=virtio\" $*"
}

# How long after each reset the next trial, or the proof before it, began; by the host's clock.
told_times() { # log
    awk '/ reset [0-9]+: / { at = $1 } at && (/proof: / || /trial [0-9]+: .*(at ratio|of all groups)/) {
            d = $1 - at; at = 0; n++; sum += d; if (d > longest) longest = d }
        END { if (n) printf "  from reset to the next trial: %.1f s on average, %.1f s at most, of %d\n", sum / n, longest, n }' "$1"
}

# The run directory, taken from the guest's disk after its journal was replayed.
take_run() { # night
    rm -rf "$work/$1"
    mkdir "$work/$1"
    e2fsck -fy "$work/image/disk.ext4" >"$work/e2fsck.log" 2>&1 || [ $? -le 1 ] || broken "$1: the file system is damaged"
    debugfs -R "rdump /run $work/$1" "$work/image/disk.ext4" >/dev/null 2>&1
    [ -f "$work/$1/run/journal.jsonl" ] || broken "$1: there is no journal on the disk"
}

night_certificates() {
    profile "" >"$work/profile.json"
    image --no-boot --profile "$work/profile.json" --arguments "--guard on --lines"
    machine certificates 500 "holdfast.reset=reboot"
    take_run certificates
    run=$work/certificates/run
    holds "$work/certificates.log" "finished: 2 of 2 groups proved" "the search did not finish"
    holds "$work/certificates.log" "watchdog i6300ESB" "the watchdog was not used"
    for group in g0 g1 machine; do
        "$binary" certify --check "$run/certificate-$group.json" --run "$run" >"$work/check.log" 2>&1 ||
            broken "the certificate of $group does not hold: $(cat "$work/check.log")"
    done
    told_times "$work/certificates.log"
    # what the guest has seen: two groups by their last-level caches, two hardware threads a core
    debugfs -R "dump /survey.json $work/survey.json" "$work/image/disk.ext4" >/dev/null 2>&1
    for words in '"cpus": "0-1"' '"cpus": "2-3"' '"source": "level-3 cache"' '"smt_in_use": true'; do
        holds "$work/survey.json" "$words" "the guest's survey is not of this machine"
    done
    [ "$(grep -c '"cores": 1' "$work/survey.json")" -eq 2 ] || broken "the survey shows other groups than two of a core"
    # the changed kernel settings are in the journal, and back at the end
    [ "$(grep -c '"type":"written"' "$run/journal.jsonl")" -gt 0 ] || broken "no setting was journalled"
}

# A search that is bound to reset: bisection that starts far above the edge. The second boot tells how the first ended; by
# the time its workers have proved themselves, that is in the journal.
reset_night() { # kind, limit in seconds, further rules of emulate
    kind=$1 limit=$2
    shift 2
    profile 's/"belief"/"bisect"/; s/"highest": 48/"highest": 90/' >"$work/profile.json"
    image --no-boot --profile "$work/profile.json" --arguments "--guard on --lines"
    machine "$kind" "$limit" "holdfast.reset=$kind" "$@" --when 'proof: ' 'info status' --when 'proof: ' quit
    take_run "$kind"
    holds "$work/$kind.log" "reset 1: $kind" "there was no reset by $kind"
    told_times "$work/$kind.log"
    holds "$work/$kind.log" "session 2" "the search did not go on after the reset"
    holds "$work/$kind/run/journal.jsonl" '"type":"reset"' "the reset is not in the journal"
}

night_reboot() { reset_night reboot 300; }

# The kernel's last words outlive the reset in the firmware's store.
night_panic() {
    rm -f "$work/store"
    reset_night panic 300
    holds "$work/panic/run/journal.jsonl" '"type":"boot-report".*sysrq triggered crash' "the panic is not in the journal"
}

# Every CPU in a real-time loop: the kernel lives, nothing else does; only the watchdog ends it, and the next boot knows.
night_spin() {
    reset_night spin 400
    holds "$work/spin.log" "the last boot was made by the watchdog" "the watchdog did not end the livelock"
    holds "$work/spin/run/journal.jsonl" '"type":"boot-report","data":\{"source":"watchdog"' "that is not in the journal"
}

# A fatal machine check on CPU 1 (group g0), broadcast as the processors of that maker do. Its bank survives the reset,
# the next boot's log names the CPU, and g0 is charged with it; g1, on trial at the same time, is not.
night_wait() {
    reset_night wait 300 --when 'reset [0-9]+: wait' 'mce -b 1 1 0xbe00000000800400 0x5 0x12345000 0x8c'
    holds "$work/wait.log" "its reports name CPU 1, of g0" "the machine check was not charged to CPU 1"
    holds "$work/wait/run/journal.jsonl" '"type":"boot-report"' "no boot report was journalled"
    holds "$work/wait/run/journal.jsonl" '"type":"reset","data":\{[^}]*"group":0' "the reset names no group"
}

# A corrected machine check on CPU 3 while g1 is on trial: found by polling, charged to g1, and the trial fails.
night_errors() {
    profile 's/"clock_factor": 300/"clock_factor": 2/' >"$work/profile.json"
    image --no-boot --profile "$work/profile.json" --arguments "--guard on --lines --for 40s"
    machine errors 300 "" --when 'trial [0-9]+: (baseline of all|g1 at)' 'mce 3 1 0x9c00000000010136 0 0x12345000 0x8c'
    take_run errors
    holds "$work/errors.log" "g1: corrected error.*CPU 3" "the corrected error was not told"
    holds "$work/errors/run/journal.jsonl" '"type":"hardware-error","data":\{[^}]*"group":1' "it was not charged to g1"
    holds "$work/errors/run/journal.jsonl" '"cause":"hardware-error"' "no trial failed by it"
}

# One reset at a random moment: the machine goes on from the saved state and is switched off, and with it everything that
# its kernel had not given to the disk. Then its file system is repaired and the run looked at, here.
one_reset() { # number, seconds
    saved_machine "$work/resets.log" 200 "$work/resets.witness" --after "$2" quit -- -loadvm middle
    qemu-img convert -O raw "$work/image/disk.qcow2" "$work/image/disk.ext4"
    take_run resets
    rm -rf "$work/later"
    cp -R "$work/resets/run" "$work/later"
    "$binary" search --run "$work/later" --lines --for 1.5s >"$work/later.log" 2>&1
    case $? in # stopped by --for, finished, or reset by the rig model
    3 | 0 | 137) ;;
    *) broken "reset $1: the run cannot be resumed: $(tail -n 1 "$work/later.log")" ;;
    esac
    "$(dirname "$emulate")/check_run" "$work/resets/run" "$work/resets.witness" "$work/later" >"$work/check.log" ||
        broken "reset $1, after $2 s: $(cat "$work/check.log")"
    echo "reset $1 after $2 s: $(cat "$work/check.log") torn $([ -e "$work/later/journal.torn" ] && echo 1 || echo 0)" >>"$work/resets.list"
}

night_resets() {
    profile 's/"highest": 48/"highest": 44/' >"$work/profile.json"
    image --no-boot --profile "$work/profile.json" --arguments "--guard on --lines"
    qemu-img convert -O qcow2 "$work/image/disk.ext4" "$work/image/disk.qcow2"
    saved_machine "$work/resets-boot.log" 400 "$work/resets-boot.witness" --when 'trial 4:' 'savevm middle' --when 'trial [5-9]:' quit --
    holds "$work/resets-boot.log" 'monitor. quit' "the machine could not be saved"
    : >"$work/resets.list"
    seed=${HOLDFAST_SEED:-$(date +%s)}
    echo "  seed $seed (HOLDFAST_SEED)"
    number=0
    for delay in $(awk -v seed="$seed" -v count="${HOLDFAST_RESETS:-10}" \
        'BEGIN { srand(seed); for (i = 0; i < count; i++) printf "%.3f\n", 1 + 4 * rand() }'); do
        number=$((number + 1))
        one_reset $number "$delay"
    done
    awk '{ resets++; done += $7 > 0; records += $9; states += $11; proposals += $13; later += $15; torn += $17 }
        END { printf "  %d resets, %d of them after an acknowledgement; %d records recovered, %d folded states and %d proposals compared, %d trials begun afterwards, %d torn tails\n", resets, done, records, states, proposals, later, torn }' "$work/resets.list"
    # a reset before anything was acknowledged shows nothing: most must be after
    [ "$(awk '$7 > 0' "$work/resets.list" | wc -l)" -ge $((number / 2)) ] || broken "most resets came before the first acknowledgement"
}

# Power cuts at random moments: the emulator logs every write and flush of one search, with what the search acknowledged
# between them (a sector behind the file system); from the log, disks are made as a power cut may leave them.
night_power() {
    profile 's/"highest": 48/"highest": 44/' >"$work/profile.json"
    image --no-boot --profile "$work/profile.json" --arguments "--guard on --lines"
    disk=$work/image/disk.ext4
    sector=$(($(wc -c <"$disk") / 512))
    dd if=/dev/zero bs=1048576 count=1 2>/dev/null >>"$disk"
    cp "$disk" "$work/before.img"
    rm -f "$work/writes.log"
    : >"$work/writes.log"
    "$emulate" --log "$work/power.log" --limit 400 --when 'trial 12:' quit -- qemu-system-x86_64 -nodefaults \
        -no-user-config -display none -accel tcg,thread=single -machine q35 -m 256 -cpu Skylake-Server \
        -smp 4,sockets=1,dies=2,cores=1,threads=2 -serial stdio -kernel "$work/image/vmlinuz" -initrd "$work/image/initrd.gz" \
        -append "console=ttyS0 quiet panic=1 holdfast.witness=vda@$((sector * 512))" \
        -blockdev "driver=file,filename=$disk,node-name=file" -blockdev driver=raw,file=file,node-name=disk \
        -blockdev "driver=file,filename=$work/writes.log,node-name=logfile" -blockdev driver=raw,file=logfile,node-name=log \
        -blockdev driver=blklogwrites,file=disk,log=log,node-name=logged -device virtio-blk-pci,drive=logged
    holds "$work/power.log" 'monitor. quit' "the search did not get to its twelfth trial"
    : >"$work/power.list"
    seed=${HOLDFAST_SEED:-$(date +%s)}
    echo "  seed $seed (HOLDFAST_SEED)"
    number=0
    tools=$(dirname "$emulate")
    while [ $number -lt "${HOLDFAST_CUTS:-100}" ]; do
        number=$((number + 1))
        cut=$("$tools/power_cut" "$work/writes.log" "$work/before.img" "$sector" $((seed + number)) "$disk" "$work/power.witness") ||
            { broken "cut $number: no disk was made"; break; }
        take_run power
        "$tools/check_run" "$work/power/run" "$work/power.witness" >"$work/check.log" ||
            broken "cut $number, seed $((seed + number)): $(cat "$work/check.log")"
        echo "$cut $(cat "$work/check.log")" >>"$work/power.list"
    done
    awk '{ cuts++; pending += $6; torn += $6 > 0; lost += $8; garbage += $10; records += $14; beyond += $14 > $12; states += $16 }
        END { printf "  %d cuts, %d with writes under way (%d sectors lost, %d turned to garbage); %d records recovered, %d times more than acknowledged; %d folded states compared\n", cuts, torn, lost, garbage, records, beyond, states }' "$work/power.list"
    [ "$(awk '$8 > 0' "$work/power.list" | wc -l)" -ge $((number / 10)) ] || broken "hardly a cut lost anything"
    # and a disk that lies about its flushes is found out
    lies=0
    for lie in 1 2 3 4 5 6 7 8 9 10; do
        "$tools/power_cut" "$work/writes.log" "$work/before.img" "$sector" $((seed + lie)) "$disk" "$work/power.witness" lie >/dev/null
        e2fsck -fy "$disk" >/dev/null 2>&1
        rm -rf "$work/power"
        mkdir "$work/power"
        debugfs -R "rdump /run $work/power" "$disk" >/dev/null 2>&1
        "$tools/check_run" "$work/power/run" "$work/power.witness" >/dev/null 2>&1 || lies=$((lies + 1))
    done
    [ $lies -ge 3 ] || broken "of 10 disks that lied about their flushes $lies were found"
    echo "  of 10 disks that lied about flushes, $lies were found out"
}

# Every trial above the edge resets the machine: after three resets without a judged trial the run is parked, and what is
# said names the trial; the search does not go on, at the next boot either.
night_loop() {
    profile 's/"belief"/"bisect"/; s/"highest": 48/"highest": 90/' >"$work/profile.json"
    image --no-boot --profile "$work/profile.json" --arguments "--guard on --lines"
    machine loop 600 "holdfast.reset=reboot"
    take_run loop
    holds "$work/loop.log" "parked: 3 resets without a judged trial between them; trial [0-9]+, g[01] at ratio [0-9.]+, was the last" \
        "the run was not parked"
    holds "$work/loop.log" "boot image: the search ended with status 3" "the search went on"
    machine loop-again 300 "holdfast.reset=reboot"
    holds "$work/loop-again.log" "parked: 3 resets" "the next boot did not stay parked"
    [ "$(grep '"type":"trial-begin"' "$work/loop/run/journal.jsonl" | grep -vc '"purpose":"baseline"')" -le 6 ] || broken "too many trials were begun"
}

# The whole image, from its own boot loader: once as firmware of the old kind does, once as UEFI does.
night_stick() {
    command -v grub-mkrescue >/dev/null || skip "grub-mkrescue is not installed"
    profile 's/"clock_factor": 300/"clock_factor": 20/' >"$work/profile.json"
    image --profile "$work/profile.json" --arguments "--lines --for 3s"
    for firmware in bios uefi; do
        set -- -serial stdio
        if [ $firmware = uefi ]; then
            [ -f /usr/share/ovmf/OVMF.fd ] || continue
            set -- -serial stdio -bios /usr/share/ovmf/OVMF.fd
        fi
        "$emulate" --log "$work/stick-$firmware.log" --limit 400 --when 'the disk is no longer mounted' quit -- \
            qemu-system-x86_64 -nodefaults -no-user-config -display none -accel tcg,thread=single -machine q35 -m 768 \
            -cpu Skylake-Server -smp 2 -drive "file=$work/image/holdfast.img,format=raw,if=virtio" "$@"
        holds "$work/stick-$firmware.log" "boot image: the search ended with status 3" "$firmware: the stick did not search"
    done
}

for night in "$@"; do
    echo "night: $night"
    before=$failures
    begun=$(date +%s)
    "night_$night"
    [ $failures -ne "$before" ] || echo "  passed in $(($(date +%s) - begun)) s"
done
[ $failures -eq 0 ]
