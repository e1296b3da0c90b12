#!/usr/bin/env bash
# What the programs load when they start: libraries_test.sh PROGRAM…. By name only libraries that Debian
# 12 and the release after it carry under the same one (db/basis/linked_in.cmake; their packages stand
# in packed_test.sh); libsndfile not at the start (logger/sound/sound_library.h). And at no remove the libraries behind the solvers that Ceres offers and nothing here
# uses (fit/solver/unused_solvers.c): they doubled the time to start and tied the package to one maker's BLAS.
set -euo pipefail
both='^(libc|libm|ld-linux-.*|libstdc\+\+|libgcc_s|libsqlite3|libcrypto|libserialport|libmicrohttpd|libglog|libgflags)\.so\.'
for program in "$@"; do
  named=$(readelf --dynamic "$program" | sed -n 's/.*(NEEDED).*\[\(.*\)\]/\1/p')
  grep -q '^libc\.so' <<< "$named" || { echo "$program: readelf shows no C library"; exit 1; }
  if grep -Ev "$both" <<< "$named"; then
    echo "$program loads what the next Debian release may not have"
    exit 1
  fi
  loaded=$(ldd "$program")
  grep -q 'libc\.so' <<< "$loaded" || { echo "$program: ldd shows no C library"; exit 1; }
  if grep -E 'lib(blas|f77blas|lapack|atlas|openblas|cholmod|spqr|cxsparse|metis|gfortran)' <<< "$loaded"; then
    echo "$program loads what it never calls"
    exit 1
  fi
done
