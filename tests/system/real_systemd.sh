#!/usr/bin/env bash
# The unit under a real systemd: a Debian 12 tree is booted in namespaces of its own, deploy/install is run
# in it, and tests/system/real_systemd_trial.py starts, stops, freezes and kills the service there.
#   sudo tests/system/real_systemd.sh             everything; exit 0 when every promise held, else 1
#   sudo tests/system/real_systemd.sh COMMAND...  the same tree, but run this in it instead of the trial
# The bare tree stays in NIGHTHERON_TREE (/var/tmp/nightheron-tree); all else goes when this ends. Needs
# root, about 1 GB and, the first time, a network. Not part of tests/run.sh: it needs more than a checkout.
set -euo pipefail

here=$(cd -- "$(dirname -- "${BASH_SOURCE[0]}")/../.." && pwd -P)
cache=${NIGHTHERON_TREE:-/var/tmp/nightheron-tree}
mirror=${DEBIAN_MIRROR:-http://deb.debian.org/debian}
packages=systemd,systemd-sysv,dbus,udev,python3,python3-venv,mosquitto,procps,tzdata

say() { printf '%s\n' "== $*"; }
fail() {
    printf '%s\n' "real_systemd.sh: $*" >&2
    exit 2
}

[[ $(id -u) -eq 0 ]] || fail "needs root for namespaces and mounts: sudo $0"
for command in debootstrap unshare nsenter chroot git ip; do
    command -v "$command" >/dev/null || fail "$command is missing; apt-get install debootstrap util-linux git iproute2"
done

# Mounts of this run live in a namespace of their own, and end with it.
if [[ ${1-} != --in-namespace ]]; then
    exec unshare --mount --propagation private -- "$0" --in-namespace "$@"
fi
shift

if [[ ! -e $cache/complete ]]; then
    say "debootstrap into $cache (once)"
    rm -rf -- "$cache/bare"
    mkdir -p -- "$cache/bare" "$cache/pip"
    debootstrap --variant=minbase --include="$packages" bookworm "$cache/bare" "$mirror" >"$cache/debootstrap.log" 2>&1 \
        || fail "debootstrap did not work; see $cache/debootstrap.log"
    touch -- "$cache/complete"
fi

# A fresh layer over the bare tree, so that every run begins the same.
mkdir -p -- "$cache/run"
mount -t tmpfs -o mode=755,size=2G tmpfs "$cache/run"
root=$cache/run/root
mkdir -- "$cache/run/upper" "$cache/run/work" "$root"
mount -t overlay -o "lowerdir=$cache/bare,upperdir=$cache/run/upper,workdir=$cache/run/work" overlay "$root"
mount -t tmpfs -o mode=755 tmpfs "$root/dev"
for device in "null 1 3" "zero 1 5" "full 1 7" "random 1 8" "urandom 1 9" "tty 5 0"; do
    read -r name major minor <<<"$device"
    mknod -m 666 "$root/dev/$name" c "$major" "$minor"
done
ln -s /proc/self/fd "$root/dev/fd"

say "deploy/install in the tree, with what is in this checkout"
mkdir -p -- "$root/usr/src/nightheron" "$root/root/.cache/pip"
git -C "$here" -c safe.directory='*' ls-files -z --cached --others --exclude-standard \
    | (cd -- "$here" && xargs -0 -I{} sh -c '[ ! -f "$1" ] || printf "%s\0" "$1"' _ {}) \
    | tar -C "$here" --null --files-from=- -cf - | tar -C "$root/usr/src/nightheron" --no-same-owner -xf -
mount --bind "$cache/pip" "$root/root/.cache/pip"
# The package index is reached the way this machine reaches it.
for file in /etc/resolv.conf /etc/hosts /etc/pip.conf /etc/ssl/certs/ca-certificates.crt; do
    if [[ -e $file ]]; then
        mkdir -p -- "$root$(dirname -- "$file")"
        cp --dereference -- "$file" "$root$file"
    fi
done
settings=(HOME=/root PATH=/usr/sbin:/usr/bin:/sbin:/bin)
while IFS= read -r setting; do settings+=("$setting"); done < <(env | grep -E '^(PIP_(INDEX|EXTRA|CERT|TRUSTED)|https?_proxy=|HTTPS?_PROXY=|no_proxy=)' || true)
mount -t proc proc "$root/proc"
env -i "${settings[@]}" chroot "$root" /usr/src/nightheron/deploy/install
umount "$root/proc" "$root/root/.cache/pip"

say "booting systemd"
# shellcheck disable=SC2016 # expanded by the inner shell
boot='root=$1
    mount -t proc proc "$root/proc" && mount -t sysfs sysfs "$root/sys" && mount -t cgroup2 cgroup2 "$root/sys/fs/cgroup"
    mount -t tmpfs -o mode=755 tmpfs "$root/run" && mount -t tmpfs -o mode=1777 tmpfs "$root/tmp"
    mkdir "$root/dev/pts" && mount -t devpts -o newinstance,ptmxmode=0666,mode=620,gid=5 devpts "$root/dev/pts"
    ln -s pts/ptmx "$root/dev/ptmx"
    ip link set lo up
    exec env -i container=lxc PATH=/usr/sbin:/usr/bin:/sbin:/bin chroot "$root" /lib/systemd/systemd --log-target=journal'
unshare --pid --fork --mount --uts --ipc --cgroup --net --kill-child -- \
    bash -euc "$boot" _ "$root" >"$cache/boot.log" 2>&1 </dev/null &
namespaces=$!
# unshare takes no notice of SIGTERM; without it init is killed, and with init every process inside.
trap 'kill -KILL "$namespaces" 2>/dev/null || true; wait "$namespaces" 2>/dev/null || true' EXIT
init=
inside() { nsenter --target "$init" --all --root --wd env -i HOME=/root PATH=/usr/sbin:/usr/bin:/sbin:/bin "$@"; }
for ((try = 0; try < 600; try++)); do
    [[ -d /proc/$namespaces ]] || fail "systemd did not boot; see $cache/boot.log"
    init=$(pgrep --parent "$namespaces" || true)
    state=$([[ -z $init ]] || inside systemctl is-system-running 2>/dev/null || true)
    [[ $state == running || $state == degraded ]] && break
    sleep 0.1
done
[[ $state == running || $state == degraded ]] || fail "systemd is \"$state\" after a minute; see $cache/boot.log"
say "systemd is $state: $(inside systemctl --version | head -n 1)"

if [[ $# -gt 0 ]]; then
    inside "$@"
else
    inside PYTHONPATH=/usr/src/nightheron PYTHONDONTWRITEBYTECODE=1 \
        /opt/nightheron/venv/bin/python -m tests.system.real_systemd_trial
fi
