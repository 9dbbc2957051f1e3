#!/usr/bin/env bash
# The pin driver against real kernels: Debian 13 is booted in emulated machines, and
# tests/system/real_gpio_trial.py moves a valve on their GPIO chips, freezes its keeper and kills its holder.
#   tests/system/real_gpio.sh                     all machines; exit 0 when every promise held, else 1
#   tests/system/real_gpio.sh virt-arm64          one of virt-arm64, virt-armhf, pi3-lets-go, pi3-keeps
# What was fetched stays in NIGHTHERON_MACHINES (/var/tmp/nightheron-machines), about 1 GB. Needs apt, a
# network the first time, and the Debian packages qemu-system-arm and cpio. Not part of tests/run.sh: it needs
# more than a checkout. An emulated pin has no resistor, so what an input reads here says nothing.
set -euo pipefail

here=$(cd -- "$(dirname -- "${BASH_SOURCE[0]}")/../.." && pwd -P)
cache=${NIGHTHERON_MACHINES:-/var/tmp/nightheron-machines}
mirror=${DEBIAN_MIRROR:-http://deb.debian.org/debian}
keyring=/usr/share/keyrings/debian-archive-keyring.gpg
boot_s=240

say() { printf '%s\n' "== $*"; }
fail() {
    printf '%s\n' "real_gpio.sh: $*" >&2
    exit 2
}
for command in qemu-system-aarch64 cpio apt-get dpkg gzip; do
    command -v "$command" >/dev/null || fail "$command is missing; apt-get install qemu-system-arm cpio"
done

fetch() {  # architecture, package of its kernel: the files of both, and of a Python, under the cache
    local top=$cache/$1 deb
    [[ ! -e $top/complete ]] || return 0
    say "fetching a $1 kernel and Python (once)"
    rm -rf -- "$top"
    mkdir -p -- "$top/state/lists/partial" "$top/archives/partial" "$top/tree/usr/"{bin,lib,sbin} "$top/kernel"
    for deb in bin lib sbin; do ln -s -- "usr/$deb" "$top/tree/$deb"; done
    touch -- "$top/state/status"
    echo "deb [signed-by=$keyring] $mirror trixie main" >"$top/sources.list"
    local options=(-q -o "APT::Architecture=$1" -o "APT::Architectures=$1" -o "Dir::State=$top/state"
        -o "Dir::State::status=$top/state/status" -o "Dir::Cache=$top" -o "Dir::Etc::SourceList=$top/sources.list"
        -o Dir::Etc::SourceParts=/dev/null -o APT::Sandbox::User=root -o APT::Install-Recommends=0)
    apt-get "${options[@]}" update >"$top/log" 2>&1 || fail "apt-get update did not work; see $top/log"
    apt-get "${options[@]}" -y --download-only install "$2" python3 busybox-static >>"$top/log" 2>&1 \
        || fail "the packages could not be fetched; see $top/log"
    for deb in "$top"/archives/*.deb; do
        case ${deb##*/} in
            linux-image-*) dpkg -x "$deb" "$top/kernel" ;;
            udev_* | systemd_* | perl* | libperl* | dracut* | initramfs*) ;;
            *) dpkg -x "$deb" "$top/tree" ;;
        esac
    done
    rm -rf -- "$top/tree/usr/share" "$top/kernel/usr/lib/modules"
    touch -- "$top/complete"
}

pack() {  # architecture: the first file system, with what is in this checkout
    local tree=$cache/$1/tree
    rm -rf -- "$tree/src"
    mkdir -p -- "$tree/src"
    cp -R -- "$here/daemon" "$here/drivers" "$here/tests/system/real_gpio_trial.py" "$tree/src/"
    cat >"$tree/init" <<'INIT'
#!/usr/bin/busybox sh
b=/usr/bin/busybox
$b mkdir -p /proc /sys /dev /tmp /run
$b mount -t proc proc /proc
$b mount -t sysfs sys /sys
$b mount -t debugfs debug /sys/kernel/debug
$b mount -t devtmpfs dev /dev
$b mount -t tmpfs tmp /tmp
export PATH=/usr/bin:/bin PYTHONPATH=/src/daemon:/src/drivers PYTHONDONTWRITEBYTECODE=1
/usr/bin/python3 /src/real_gpio_trial.py "$CHIP" "$PIN" "$KEEPS"
echo "trial: exit $?"
$b poweroff -f
INIT
    chmod +x -- "$tree/init"
    (cd -- "$tree" && find . -name __pycache__ -prune -o -print0 | cpio --null --create --format=newc --quiet) \
        | gzip -1 >"$cache/$1/first.gz"
}

boot() {  # name, architecture, then qemu's own words: until the trial has ended, or for boot_s
    local log=$cache/$1.log top=$cache/$2 qemu end
    shift 2
    qemu=qemu-system-aarch64
    if [[ $top == */armhf ]]; then qemu=qemu-system-arm; fi
    "$qemu" -display none -monitor none -no-reboot -serial "file:$log" -serial null \
        -kernel "$(echo "$top"/kernel/boot/vmlinuz-*)" -initrd "$top/first.gz" "$@" &
    end=$((SECONDS + boot_s))
    while kill -0 $! 2>/dev/null && ((SECONDS < end)) && ! grep -q '^trial: exit' "$log" 2>/dev/null; do sleep 0.5; done
    kill $! 2>/dev/null || true
    wait $! 2>/dev/null || true
    grep -aE '^(==|ok  |FAIL|note|Traceback|trial:)' "$log" || true
    grep -aq '^trial: exit 0' "$log"
}

run() {  # one machine by its name
    local words="console=ttyAMA0 quiet panic=-1"
    local virt="$words CHIP=9030000.pl061 PIN=5 KEEPS=unknown" pi="$words CHIP=pinctrl-bcm2835 PIN=17"
    say "$1"
    rm -f -- "$cache/$1.log"
    case $1 in
        virt-arm64) boot "$1" arm64 -M virt -cpu cortex-a57 -m 1024 -nic none -append "$virt" ;;
        virt-armhf) boot "$1" armhf -M virt -cpu cortex-a15 -m 1024 -nic none -append "$virt" ;;
        pi3-lets-go | pi3-keeps)
            local keeps=${1#pi3-} value=N
            if [[ $keeps == keeps ]]; then value=Y; fi
            boot "$1" arm64 -M raspi3b -dtb "$(echo "$cache"/arm64/kernel/usr/lib/linux-image-*/broadcom/bcm2837-rpi-3-b.dtb)" \
                -append "$pi KEEPS=$keeps pinctrl_bcm2835.persist_gpio_outputs=$value"
            ;;
        *) fail "there is no machine $1; there are virt-arm64, virt-armhf, pi3-lets-go, pi3-keeps" ;;
    esac
}

machines=("$@")
if [[ $# -eq 0 ]]; then machines=(virt-arm64 virt-armhf pi3-lets-go pi3-keeps); fi
fetch arm64 linux-image-arm64
pack arm64
if [[ " ${machines[*]} " == *armhf* ]]; then
    fetch armhf linux-image-armmp
    pack armhf
fi
red=()
for machine in "${machines[@]}"; do
    run "$machine" || red+=("$machine")
done
if [[ ${#red[@]} -gt 0 ]]; then
    say "RED: ${red[*]}"
    exit 1
fi
say "every promise held"
