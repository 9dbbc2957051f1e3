#!/usr/bin/env bash
# The one way to run every check: installs what the tests need, then the linters, then pytest, whose
# summary comes last. Red anywhere makes the exit code 1. Words after it go to pytest.
# NIGHTHERON_VENV names another environment than .venv.
set -uo pipefail

here=$(cd -- "$(dirname -- "${BASH_SOURCE[0]}")/.." && pwd -P)
cd -- "$here" || exit 2
exec </dev/null
venv=${NIGHTHERON_VENV:-$here/.venv}
# nightheron refuses variables it does not know, so none of ours may reach the tests.
for name in "${!NIGHTHERON_@}"; do unset "$name"; done
export PATH=$PATH:/usr/sbin:/sbin

say() { printf '%s\n' "== $*"; }

# command on PATH : Debian packages that have it
wanted=(mosquitto:mosquitto systemd-analyze:systemd git:git chromium:chromium chromedriver:chromium-driver
    "cc:gcc libc6-dev")
packages=()
for pair in "${wanted[@]}"; do
    command -v "${pair%%:*}" >/dev/null || packages+=("${pair##*:}")
done
python3 -c 'import venv, ensurepip' 2>/dev/null || packages+=(python3 python3-venv)
if [[ ${#packages[@]} -gt 0 ]]; then
    line="apt-get install -y --no-install-recommends ${packages[*]}"
    if [[ $(id -u) -ne 0 ]]; then
        echo "tests/run.sh: Debian packages are missing; install them with: sudo $line" >&2
        exit 2
    fi
    say "$line"
    export DEBIAN_FRONTEND=noninteractive
    for try in 1 2 3; do
        apt-get update -q >/dev/null && break
        say "apt-get update did not work, try $try of 3"
        sleep $((try * 5))
    done
    $line -q >/dev/null || { echo "tests/run.sh: could not install ${packages[*]} (above)" >&2; exit 2; }
fi

"$here/deploy/venv" --dev "$venv" || exit 2
bin=$venv/bin
export PATH=$bin:$PATH

# The linters run beside each other; what they say is shown one after the other.
red=()
said=$(mktemp -d) || exit 2
trap 'rm -rf -- "$said"' EXIT
"$bin/ruff" check . >"$said/ruff" 2>&1 &
ruff=$!
"$bin/mypy" --strict >"$said/mypy" 2>&1 &
mypy=$!
"$bin/lint-imports" >"$said/imports" 2>&1 &
imports=$!
ended() {  # process, file with its words, name
    wait "$1" || red+=("$3")
    say "$3"
    cat -- "$said/$2"
}
ended "$ruff" ruff "ruff check"
ended "$mypy" mypy "mypy --strict"
ended "$imports" imports "lint-imports"
if [[ ${#red[@]} -eq 0 ]]; then
    say "linters: all green"
else
    say "linters: RED: $(IFS=,; echo "${red[*]}")"
fi

# More workers than cores, since most tests of faults/ and system/ wait. What measures is alone all the same
# (tests/conftest.py). A later -n in the words given wins: -n 0 is one test after the other.
say "pytest"
"$bin/python" -m pytest -p no:cacheprovider -ra -n 4 "$@" || red+=(pytest)
[[ ${#red[@]} -eq 0 ]]
