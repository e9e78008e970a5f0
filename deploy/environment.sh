# Sourced by `demo`, `check` and the others, in the repository. `make_environment LOCK` makes .venv from that lock, where it is not
# ready; how, says environment.py. NONRETURN_PYTHON names the Python to use.

find_python() {
    for name in "${NONRETURN_PYTHON:-}" python3 python3.14 python3.13 python3.12 python3.11 python; do
        if [ -n "$name" ] && "$name" -I -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
            command -v "$name"
            return
        fi
        if [ -n "${NONRETURN_PYTHON:-}" ]; then
            echo "nonreturn: NONRETURN_PYTHON=$NONRETURN_PYTHON is not Python 3.11 or later; name another, or unset it." >&2
            return 1
        fi
    done
    echo "nonreturn: Python 3.11 or later is needed; install it, or name it: NONRETURN_PYTHON=/path/to/python3." >&2
    return 1
}

make_environment() {
    python=${NONRETURN_PYTHON:-}
    # The environment's own Python says whether all is as it should be. Where it cannot, there is something to make.
    .venv/bin/python -I -S deploy/environment.py ready "$1" ${python:+"$python"} >/dev/null 2>&1 && return
    python=$(find_python) || return 1
    "$python" -I deploy/environment.py make "$1"
}
