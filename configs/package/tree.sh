# Sourced by build: lays the package's tree below $work/tree.

# lay_tree: /opt/holdstill is a virtual environment (PEP 405) that has the modules for several Pythons: the
# system's python3 takes those for its own version. What is the same for all of them is there once.
lay_tree() {
    local python home=$work/tree/opt/holdstill
    mkdir -p "$home/bin" "$home/lib/common"
    for python in "${pythons[@]}"; do
        # Others' programs, which name the folder that they were made in, and what we place ourselves.
        rm -rf "$work/site/$python/"{bin,share}
        sed -i '/^\.\.\/\.\.\//d' "$work/site/$python/"*.dist-info/RECORD
        mkdir -p "$home/lib/python$python"
        cp -r "$work/site/$python" "$home/lib/python$python/site-packages"
    done
    share_common "$home"
    for python in "${pythons[@]}"; do
        echo ../../common >"$home/lib/python$python/site-packages/holdstill-common.pth"
    done
    printf 'home = /usr/bin\ninclude-system-site-packages = false\n' >"$home/pyvenv.cfg"
    ln -s /usr/bin/python3 "$home/bin/python3"
    cat >"$home/bin/holdstill" <<'PROGRAM'
#!/opt/holdstill/bin/python3
import sys

from holdstill.__main__ import main

sys.exit(main())
PROGRAM
    chmod 755 "$home/bin/holdstill"
    lay_system_files "$home"
    lay_documents
    chmod -R u=rwX,go=rX "$work/tree"
    find "$work/tree" -exec touch -h -d "@$SOURCE_DATE_EPOCH" {} +
}

# share_common HOME: move what all Pythons have alike to lib/common.
share_common() {
    local first=$1/lib/python${pythons[0]}/site-packages entry python same
    for entry in "$first"/*; do
        entry=${entry##*/} same=yes
        for python in "${pythons[@]:1}"; do
            diff -rq "$first/$entry" "$1/lib/python$python/site-packages/$entry" >/dev/null 2>&1 || same=''
        done
        [ "$same" ] || continue
        mv "$first/$entry" "$1/lib/common/"
        for python in "${pythons[@]:1}"; do rm -rf "$1/lib/python$python/site-packages/$entry"; done
    done
}

# lay_system_files HOME: the program's name in PATH, and the units. `holdstill setup` takes its own from
# share/; the keeper's user and folders are made from there, by hand, where a keeper is wanted.
lay_system_files() {
    local usr=$work/tree/usr
    mkdir -p "$usr/bin" "$usr/lib/systemd/system" "$usr/lib/tmpfiles.d" \
        "$usr/share/bash-completion/completions" "$1/share/holdstill"
    ln -s /opt/holdstill/bin/holdstill "$usr/bin/holdstill"
    cp -r "$top/systemd" "$1/share/holdstill/systemd"
    sed -i 's|^\(Exec[A-Za-z]*=[-@:+!]*\)/usr/local/bin/holdstill|\1/usr/bin/holdstill|' \
        "$1/share/holdstill/systemd/"*.service
    cp "$1/share/holdstill/systemd/"*.{service,socket,timer} "$usr/lib/systemd/system/"
    cp "$top/systemd/tmpfiles.d/holdstill-board.conf" "$usr/lib/tmpfiles.d/"
    echo 'eval "$(_HOLDSTILL_COMPLETE=bash_source holdstill)"' \
        >"$usr/share/bash-completion/completions/holdstill"
}

lay_documents() {
    local doc=$work/tree/usr/share/doc/holdstill
    mkdir -p "$doc/examples" "$work/tree/usr/share/man/man1"
    cp "$top/README.md" "$doc/"
    gzip -9n <"$top/configs/package/holdstill.1" >"$work/tree/usr/share/man/man1/holdstill.1.gz"
    cp "$top/configs/"{board,keeper}.yaml "$doc/examples/"
    {
        cat "$top/LICENSE"
        printf '\nBelow /opt/holdstill/lib are also, each with its own licence in the folder NAME-VERSION.dist-info:\n\n'
        bundled
    } >"$doc/copyright"
}

# bundled: name, version and licence of everything that is not ours.
bundled() {
    local metadata
    find "$work/tree/opt" -path '*.dist-info/METADATA' ! -path '*/holdstill-*' | while read -r metadata; do
        sed -n '/^$/q; s/^\(Name\|Version\): //p' "$metadata" | paste -sd ' ' | tr -d '\n'
        printf ': '
        sed -n '/^$/q; s/^License-Expression: //p; s/^License: //p; s/^Classifier: License :: //p' "$metadata" |
            head -n 1 | grep . || echo "see there"
    done | sort -u
}

# write_control: what dpkg reads and runs.
write_control() {
    local control=$work/tree/DEBIAN last=${pythons[-1]} size
    mkdir "$control"
    cp "$here/scripts/"* "$control/"
    size=$(du -sk --apparent-size --exclude=DEBIAN "$work/tree" | cut -f 1)
    sed -e "s|@VERSION@|$version-$revision|; s|@ARCH@|$arch|; s|@SIZE@|$size|" \
        -e "s|@FIRST@|${pythons[0]}|; s|@BELOW@|3.$((${last#3.} + 1))~|" \
        -e "s|@GLIBC_MINOR@|$glibc_minor|" \
        -e "s|@MAINTAINER@|${DEBFULLNAME:-whoever built it} <${DEBEMAIL:-root@localhost}>|" \
        "$here/control.in" >"$control/control"
    (cd "$work/tree" && find opt usr -type f -print0 | sort -z | xargs -0 md5sum) >"$control/md5sums"
    chmod -R u=rwX,go=rX "$control"
    chmod 755 "$control/"{preinst,postinst,prerm,postrm}
    find "$control" -exec touch -d "@$SOURCE_DATE_EPOCH" {} +
}

# pack FILE: the same tree gives the same bytes.
pack() { dpkg-deb --root-owner-group -Zxz --build "$work/tree" "$1" >/dev/null; }
