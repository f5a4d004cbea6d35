# Sourced by the commands beside it: makes .venv at the repository's root and installs Hyoid there.
#
# prepare EXTRA [PACKAGE…]: installs the project as editable with the extra ("" for none) and then
# the packages without their dependencies, if anything they depend on changed since the last time.

fail() {
    echo "$*" >&2
    exit 1
}

find_python() {
    local candidate
    for candidate in python3.11 python3.12 python3.13 python3.14 python3 python; do
        if "$candidate" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' \
            >/dev/null 2>&1; then
            echo "$candidate"
            return
        fi
    done
    fail "Python 3.11 or newer, with venv, is needed and was not found" \
        "($(python3 --version 2>/dev/null || echo 'there is no python3'))." \
        "On Debian: apt-get install python3 python3-venv"
}

wanted() {
    {
        echo "$PWD" "$@"
        .venv/bin/python --version
        cat pyproject.toml
    } | cksum
}

# Whether all that pyproject.toml asks for is there already; for machines without a network.
is_complete() {
    .venv/bin/python -P - "$@" <<'PYTHON' 2>/dev/null
import sys, tomllib
from importlib.metadata import version
from pathlib import Path
from pip._vendor.packaging.requirements import Requirement
import service

extra, *packages = sys.argv[1:]
if Path(service.__file__).resolve().parent.parent != Path.cwd().resolve():
    sys.exit(1)
project = tomllib.loads(Path("pyproject.toml").read_text())["project"]
optional = project["optional-dependencies"]
for text in project["dependencies"] + (optional[extra] if extra else []) + packages:
    needed = Requirement(text)
    if needed.marker is None or needed.marker.evaluate():
        if not needed.specifier.contains(version(needed.name), prereleases=True):
            sys.exit(1)
sys.exit(not Path(sys.executable).with_name("hyoid").exists())
PYTHON
}

install() {
    local extra=$1 pip=(.venv/bin/python -m pip --disable-pip-version-check --quiet)
    shift
    "${pip[@]}" install --editable ".${extra:+[$extra]}" || return
    if (($#)); then "${pip[@]}" install --no-deps "$@" || return; fi
}

prepare() {
    local extra=$1 python stamp=.venv/.hyoid-${1:-plain} log
    if ! .venv/bin/python -m pip --version >/dev/null 2>&1; then
        python=$(find_python)
        echo "Making .venv with $("$python" --version)" >&2
        "$python" -m venv --clear .venv
    fi
    .venv/bin/python -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
        fail ".venv holds $(.venv/bin/python --version); remove it, 3.11 or newer is needed"
    if [[ -f $stamp && $(<"$stamp") == "$(wanted "$@")" ]]; then return; fi
    log=$(mktemp)
    echo "Installing Hyoid into .venv" >&2
    if ! install "$@" >"$log" 2>&1 && ! is_complete "$@"; then
        cat "$log" >&2
        rm -f "$log"
        fail "Installing failed; the lines above say why. Is there a network?"
    fi
    rm -f "$log"
    wanted "$@" >"$stamp"
}
