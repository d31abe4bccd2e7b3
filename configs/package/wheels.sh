# Sourced by build: the wheels of all dependencies, for one architecture and several Pythons.

known_pythons=(3.11 3.12 3.13 3.14)
glibc_minor=36 # Debian 12's C library is 2.36

# platforms: pip's words for wheels that run on $arch with that C library
# (PEP 600: manylinux_X_Y needs glibc X.Y at most).
platforms() {
    local machine minor
    case $arch in
    amd64) machine=x86_64 ;;
    arm64) machine=aarch64 ;;
    armhf) machine=armv7l ;;
    *) die "--arch $arch: known are amd64, arm64 and armhf" ;;
    esac
    for minor in $(seq $glibc_minor -1 17); do echo "--platform=manylinux_2_${minor}_$machine"; done
    echo "--platform=manylinux2014_$machine"
    [ "$machine" != x86_64 ] || printf -- '--platform=%s\n' manylinux2010_x86_64 manylinux1_x86_64
    # What pip itself compiled on such a machine.
    echo "--platform=linux_$machine"
}

# link_wheels DIR: all of them into $work/wheels but our own, which may be of another commit.
link_wheels() {
    mkdir "$work/wheels"
    find "$(realpath "$1")" -maxdepth 1 -name '*.whl' ! -name 'holdstill-*' -exec ln -s -t "$work/wheels" {} +
}

prepare_pip() {
    local python
    mapfile -t for_arch < <(platforms)
    [ ${#for_arch[@]} -gt 0 ] || exit 1
    python=$(choose_python) || die "no Python 3.11 or newer with venv found"
    "$python" -m venv "$work/env"
    pip=("$work/env/bin/python" -m pip -q --disable-pip-version-check)
    # A machine's own settings must not bring in what is not in the folder.
    [ -z "$from" ] || export PIP_CONFIG_FILE=/dev/null PIP_NO_INDEX=1 PIP_FIND_LINKS=$work/wheels
}

# own_wheel: holdstill's, from a copy, since building leaves files behind.
own_wheel() {
    mkdir "$work/source"
    (cd "$top" && tar -c --exclude=__pycache__ --exclude='*.egg-info' pyproject.toml README.md LICENSE agent systemd \
        configs/package/holdstill.1) | tar -xC "$work/source"
    "${pip[@]}" wheel --no-deps --wheel-dir "$work/own" "$work/source"
}

# for_python PYTHON COMMAND...: let pip do something with the wheels for one Python. Those of the page are small,
# and its unit is in the package.
for_python() {
    local python=$1 command=$2
    shift 2
    "${pip[@]}" "$command" --only-binary=:all: --python-version "$python" --implementation cp \
        "${for_arch[@]}" --find-links "$work/own" "$@" "holdstill[page]==$version"
}

# fetch_wheels DIR: what our own wheel needs, and what makes that one.
fetch_wheels() {
    local python
    mkdir -p "$1"
    say "fetching wheels for $arch"
    "${pip[@]}" download --dest "$1" --only-binary=:all: 'setuptools>=77'
    for python in "${known_pythons[@]}"; do
        for_python "$python" download --dest "$1" 2>"$work/said" || {
            grep -q 'No matching distribution' "$work/said" || die "$(cat "$work/said")"
            say "no wheels for $arch, Python $python: $(grep 'No matching' "$work/said" | sed 's/.*found for //')"
        }
    done
    rm -f "$1/holdstill-$version-"*.whl
}

# install_wheels: into $work/site/PYTHON, for each Python that has all of its wheels; these follow each
# other, since a package depends on "at least" and "below". Sets pythons.
install_wheels() {
    local python
    pythons=()
    for python in "${known_pythons[@]}"; do
        if for_python "$python" install --no-compile --no-index --find-links "$work/wheels" \
            --target "$work/site/$python" 2>"$work/said"; then
            pythons+=("$python")
        else
            say "left out, Python $python: $(grep -m 1 'No matching' "$work/said" || cat "$work/said")"
            [ ${#pythons[@]} -eq 0 ] || break
        fi
    done
    [ ${#pythons[@]} -gt 0 ] || die "no Python has all of its wheels for $arch in ${from:-what was fetched}"
}
