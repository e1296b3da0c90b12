#!/usr/bin/env bash
# What the programs load when they start: libraries_test.sh PROGRAM…. None of them the libraries behind
# the solvers that Ceres offers and nothing here uses (fit/solver/unused_solvers.c): they doubled the
# time to start and tied the package to one maker's BLAS.
set -euo pipefail
for program in "$@"; do
  loaded=$(ldd "$program")
  grep -q 'libc\.so' <<< "$loaded" || { echo "$program: ldd shows no C library"; exit 1; }
  if grep -E 'lib(blas|f77blas|lapack|atlas|openblas|cholmod|spqr|cxsparse|metis|gfortran)' <<< "$loaded"; then
    echo "$program loads what it never calls"
    exit 1
  fi
done
