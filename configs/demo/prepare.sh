# Sourced by configs/demo/run and tests/run: makes a machine ready, and does nothing where it is.
# Debian 12 or 13; root, or a user who may use sudo. Needs $top, the top of the tree.

say() { printf '\n== %s\n' "$*"; }

die() {
    printf 'holdstill: %s\n' "$*" >&2
    exit 1
}

may_be_root() {
    [ "$EUID" -eq 0 ] && return
    command -v sudo >/dev/null && { sudo -n true 2>/dev/null || sudo -v; }
}

# Python must not leave files in the tree that its owner cannot delete.
as_root() {
    if [ "$EUID" -eq 0 ]; then "$@"; else sudo env PYTHONDONTWRITEBYTECODE=1 "$@"; fi
}

# need_packages NAME...: install the Debian packages that are missing.
need_packages() {
    command -v dpkg-query >/dev/null || {
        say "not a Debian machine: make sure of the programs in $*"
        return
    }
    local name missing=()
    for name in "$@"; do
        [ "$(dpkg-query -W -f='${db:Status-Status}' "$name" 2>/dev/null)" = installed ] ||
            missing+=("$name")
    done
    [ ${#missing[@]} -eq 0 ] && return
    say "installing Debian packages: ${missing[*]}"
    may_be_root || die "cannot become root to install: ${missing[*]}"
    as_root apt-get update -qq
    as_root bash -c "$(declare -f install_quietly); install_quietly \"\$@\"" - "${missing[@]}"
}

# install_quietly NAME...: as root. Servers are not started: ours are started by hand, on ports of
# their own. A policy that is there already is somebody's, and is left alone.
install_quietly() {
    local policy=/usr/sbin/policy-rc.d
    if [ ! -e "$policy" ]; then
        trap "rm -f $policy" EXIT
        printf '#!/bin/sh\nexit 101\n' >"$policy"
        chmod 755 "$policy"
    fi
    DEBIAN_FRONTEND=noninteractive \
        apt-get install -y -qq --no-install-recommends "$@" </dev/null
}

# The first Python that is new enough and can make a virtual environment.
choose_python() {
    local python
    for python in ${PYTHON:+"$PYTHON"} python3 /usr/bin/python3; do
        if "$python" -c 'import ensurepip, sys, venv; sys.exit(sys.version_info < (3, 11))' \
            2>/dev/null; then
            echo "$python"
            return
        fi
    done
    return 1
}

# prepare_venv use|develop: a private environment in .venv that holds holdstill, and for "develop"
# what the tests need. Does nothing while pyproject.toml is what it was when the environment was made.
prepare_venv() {
    local venv=$top/.venv python want
    want="$(sha256sum <"$top/pyproject.toml") $top"
    if ! "$venv/bin/python" -c '' 2>/dev/null; then
        python=$(choose_python) || die "no Python 3.11 or newer with venv found"
        say "making $venv with $("$python" --version)"
        "$python" -m venv --clear "$venv"
    fi
    [ "$(cat "$venv/prepared-$1" 2>/dev/null)" = "$want" ] && return
    say "installing holdstill to $1 it"
    local pip=("$venv/bin/python" -m pip -qq --disable-pip-version-check)
    "${pip[@]}" install --upgrade 'pip>=25.1' # the first that knows dependency groups
    case $1 in
    use) "${pip[@]}" install --editable "$top" ;;
    develop) "${pip[@]}" install --editable "$top" --group "$top/pyproject.toml:dev" ;;
    esac
    echo "$want" >"$venv/prepared-$1"
    [ "$1" = use ] || echo "$want" >"$venv/prepared-use"
}

# prepare use|develop PACKAGE...: one run at a time; a second one waits for the first.
prepare() {
    local purpose=$1
    shift
    need_packages "$@"
    (
        flock 9
        prepare_venv "$purpose"
    ) 9<"$top/configs"
}
