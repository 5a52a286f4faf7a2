# shellcheck shell=bash
# The virtual environment of this clone, kept as the lock says. Sourced from the project's root by run, test and lock.

# fail STATUS LINE...: says it on standard error and ends.
fail() {
    local status=$1
    shift
    printf '%s\n' "$@" >&2
    exit "$status"
}

# is_python COMMAND: does it run, and is it 3.11 or newer?
is_python() {
    "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null
}

# find_python: sets $python to a Python that is new enough and can make virtual environments.
find_python() {
    local candidate without_venv=
    if [ -n "${PYTHON:-}" ]; then
        is_python "$PYTHON" || fail 1 "PYTHON=$PYTHON is not a Python 3.11 or newer. Unset it, or let it name one."
        set -- "$PYTHON"
    else
        set -- python3 python3.14 python3.13 python3.12 python3.11 python
    fi
    for candidate in "$@"; do
        is_python "$candidate" || continue
        if "$candidate" -c 'import ensurepip, venv' 2>/dev/null; then
            python=$candidate
            return
        fi
        without_venv=${without_venv:-$candidate}
    done
    if [ -n "$without_venv" ]; then
        fail 1 "$without_venv cannot make virtual environments: its modules venv and ensurepip are missing." \
            "On Debian and Ubuntu they are the package python3-venv."
    fi
    fail 1 "Steelyard needs Python 3.11 or newer, and none was found." \
        "Install one, or say where it is: PYTHON=/where/it/is/python3 bash $0"
}

# bar DONE TOTAL: a progress bar, drawn on a terminal only; `bar` alone wipes it.
bar() {
    [ -t 1 ] || return 0
    if [ $# -eq 0 ]; then
        printf '\r\033[K'
        return
    fi
    local done=$(($1 < $2 ? $1 : $2)) width=40 filled
    filled=$((width * done / $2))
    printf '\r  [%-*s] %s of %s' "$width" "$(printf '%*s' "$filled" '' | tr ' ' '#')" "$done" "$2"
}

# install LOCK: installs what the lock pins, then this clone, editable; pip's own words go to .venv/install.log.
install() {
    local total seen=0 line
    total=$(grep -c '==' "$1") || total=1
    .venv/bin/python -m pip install --disable-pip-version-check --no-input --require-hashes --requirement "$1" 2>&1 |
        tee .venv/install.log |
        while IFS= read -r line; do
            case $line in
                Collecting* | Requirement\ already*) bar $((seen += 1)) "$total" ;;
                Installing*) bar "$total" "$total" ;;
            esac
        done || return 1
    .venv/bin/python -m pip install --disable-pip-version-check --no-input --no-index --no-deps --no-build-isolation \
        --editable . >>.venv/install.log 2>&1
}

# prepare NAME: makes .venv hold what deploy/NAME.txt pins and this clone. Quick where it already does.
prepare() {
    ! is_prepared "$1" || return 0
    # One installation at a time, where the machine has flock(1); whoever had to wait finds the work done.
    exec 9<pyproject.toml
    if command -v flock >/dev/null && ! flock --nonblock 9; then
        printf 'Waiting for another installation in this folder ...\n'
        flock 9
    fi
    is_prepared "$1" || set_up "$1"
    exec 9<&-
}

# what_is_wanted: what .venv must have been made from and where. It does not survive being moved or copied.
what_is_wanted() {
    pwd -P && cksum deploy/requirements.txt deploy/requirements-test.txt pyproject.toml
}

is_prepared() {
    [ "$(cat ".venv/$1.stamp" 2>/dev/null)" = "$(what_is_wanted)" ] && [ -x .venv/bin/steelyard ] && is_python .venv/bin/python
}

set_up() {
    local stamp
    if ! is_python .venv/bin/python || ! grep -qF "$(pwd -P)/.venv" .venv/bin/activate; then
        find_python
        rm -rf .venv
        "$python" -m venv .venv || fail 1 "$python could not make a virtual environment in $(pwd -P)/.venv."
    fi
    rm -f .venv/*.stamp
    printf 'Installing into .venv what deploy/%s.txt pins (a minute or two the first time) ...\n' "$1"
    if ! install "deploy/$1.txt"; then
        bar
        grep -v '^Requirement already' .venv/install.log | tail -n 12 >&2
        fail 1 "" "The installation did not finish. Its last words are above, all of them in .venv/install.log." \
            "It needs the network, or a package index named in PIP_INDEX_URL. Then start this again."
    fi
    bar
    # The lock for testing holds all that the service runs on, so it serves both.
    for stamp in requirements "$1"; do
        what_is_wanted >".venv/$stamp.stamp"
    done
}
