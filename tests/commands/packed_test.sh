#!/usr/bin/env bash
# What cpack makes of this build: packed_test.sh BUILD SOURCE. Both packages with their sums, signed with a key
# made for it, refused when a byte changed; dependences that Debian 12 and the release after it both
# carry; the archive run from a folder with an awkward name, with its demo and its man pages.
set -euo pipefail
work=$(mktemp -d)
export GNUPGHOME=$work/keys
trap 'gpgconf --kill gpg-agent || true; rm -rf "$work"' EXIT
mkdir -m 700 "$GNUPGHOME"
gpg --batch --quiet --passphrase '' --quick-generate-key 'packer@example.org' ed25519 sign never \
  2> /dev/null
fails() { echo "$1"; exit 1; }

LOADLINE_SIGN_WITH=packer@example.org cpack --config "$1/CPackConfig.cmake" -B "$work" > "$work/log" 2>&1 ||
  { tail -n 20 "$work/log"; exit 1; }
cd "$work"
packages=(loadline*.deb loadline*.tar.gz)
[[ ${#packages[@]} == 2 ]] || fails "a package is missing: ${packages[*]}"
for package in "${packages[@]}"; do
  sha256sum --quiet -c "$package.sha256"
  gpg --quiet --verify "$package.sha256.asc" "$package.sha256" 2> log || { cat log; exit 1; }
  sed 's/^./x/' "$package.sha256" > altered
  ! gpg --quiet --verify "$package.sha256.asc" altered 2> /dev/null || fails "an altered sum passes"
  cp "$package" kept
  printf 'x' | dd of="$package" bs=1 seek=2000 conv=notrunc status=none
  ! sha256sum --status -c "$package.sha256" 2> /dev/null || fails "an altered package passes"
  mv kept "$package"
done
echo > kept-sum
! LOADLINE_SIGN_WITH=nobody@example.org cmake "-DCPACK_PACKAGE_FILES=$work/kept-sum" -DCPACK_PACKAGE_DIRECTORY="$work" \
  -P "$2/db/basis/packaging_sums.cmake" 2> /dev/null || fails "signed with a key that is not there"

# Their names in Debian 12. In 13 some are called otherwise (libssl3t64) and provide these names in
# their version (its list of packages for amd64, read on 29 November 2026); libfmt9, libceres3 and
# libboost-program-options1.74.0 are gone there. In later releases apt has to say.
if [[ $(. /etc/os-release; echo "${VERSION_CODENAME:-}") == bookworm ]]; then
  both="libc6 libgcc-s1 libgflags2.2 libgoogle-glog0v6 libmicrohttpd12 libserialport0 libsndfile1 \
libsqlite3-0 libssl3 libstdc++6"
  needs=$(dpkg-deb --field loadline*.deb Depends | tr ',' '\n' | awk '{ print $1 }')
  for name in libsqlite3-0 libsndfile1; do
    grep -qx "$name" <<< "$needs" || fails "the package does not ask for $name"
  done
  for name in $needs; do
    [[ " $both " == *" $name "* ]] || fails "the next release has no $name"
    [[ $name =~ ^(libc6|libgcc-s1|libstdc\+\+6)$ ]] || grep -qw "$name" "$2/README.md" ||
      fails "README.md does not name $name for who unpacks the archive"
  done
fi

# As root unpacks it, into a folder that nobody chose for programs, which then moves.
folder="$work/one's höme, once"
mkdir "$folder"
tar -xzf loadline*.tar.gz -C "$folder"
mv "$folder" "$folder more"
folder+=" more"
cd "$folder"
top=$(echo loadline-*)
env -u LOADLINE_BOOK bash "$top/share/loadline/sample-runs/demo.sh" > log 2>&1 < /dev/null ||
  { tail -n 20 log; fails "the demo of the unpacked archive broke off"; }
[[ -s loadline-demo/report.html ]] || fails "the demo left no report"
for program in loadline-db loadline-fit loadline-logger loadline-simrig; do
  words=$(MANWIDTH=80 man -l "$top/share/man/man1/$program.1.gz" 2>&1) || fails "man: $words"
  grep -q "^NAME" <<< "$words" || fails "$program's man page does not render"
done
