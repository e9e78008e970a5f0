# Sourced by `demo` and `check`, with the lock to install as $lock. Makes .venv inside the repository from that lock
# (hashes checked), once: the stamp holds the lock's checksum, so that a second run does nothing and a changed lock renews it.
# NONRETURN_PYTHON names the Python to use, where the machine's first one is too old.

find_python() {
    for name in ${NONRETURN_PYTHON:-} python3 python3.14 python3.13 python3.12 python3.11 python; do
        if command -v "$name" >/dev/null 2>&1 &&
            "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
            command -v "$name"
            return
        fi
    done
    echo "Nonreturn needs Python 3.11 or later. Install one, or name it: NONRETURN_PYTHON=/path/to/python3" >&2
    return 1
}

lock_sum() { cksum "$1" pyproject.toml | tr '\n' ' '; }

make_environment() {
    lock=$1
    # The check lock holds the runtime lock's versions and more, so an environment made for it serves both.
    for stamp in ".venv/.made-from-check.lock" ".venv/.made-from-$(basename "$lock")"; do
        source_lock="deploy/$(basename "$stamp" | sed 's/^\.made-from-//')"
        if [ -f "$stamp" ] && [ "$(cat "$stamp")" = "$(lock_sum "$source_lock")" ]; then
            return
        fi
    done
    python=$(find_python)
    echo "Making the environment in .venv (once; a minute or so) …" >&2
    [ -x .venv/bin/python ] || "$python" -m venv .venv || {
        echo "This Python cannot make environments: on Debian and its kin, install python3-venv." >&2
        return 1
    }
    rm -f .venv/.made-from-*
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --no-deps --require-hashes --requirement "$lock"
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --no-build-isolation --no-deps --editable .
    .venv/bin/python -m pip check --disable-pip-version-check >/dev/null
    # What pip installs it compiles, but not what stands here: else the first start, or every one where nothing may be written, would.
    .venv/bin/python -m compileall -q rules service migrations
    lock_sum "$lock" >".venv/.made-from-$(basename "$lock")"
}
