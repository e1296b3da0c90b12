/* What Ceres could call and never does here.

   Debian builds Ceres with solvers for large sparse problems and with those of LAPACK, and its
   archive refers to all of them. Ours are small and dense: nonlinear.cc asks for DENSE_QR, which
   Ceres computes with Eigen. With these in place of the libraries behind the others loadline-fit
   starts without twenty shared libraries, and the package depends on nobody's BLAS. One that is
   called after all ends the program at once; tests/commands/libraries_test.sh looks that none of
   the libraries comes back, and the tests of the fits that none of these is called. Weak, so that a
   program that does link such a library gets the library's. */
#include <stdlib.h>

static void never(void) { abort(); }

#define NEVER(name) void name(void) __attribute__((weak, alias("never")))

/* SuiteSparse, cholmod */
NEVER(cholmod_amd);
NEVER(cholmod_analyze);
NEVER(cholmod_analyze_p);
NEVER(cholmod_camd);
NEVER(cholmod_factorize);
NEVER(cholmod_finish);
NEVER(cholmod_free_dense);
NEVER(cholmod_free_factor);
NEVER(cholmod_free_sparse);
NEVER(cholmod_print_common);
NEVER(cholmod_solve);
NEVER(cholmod_start);
NEVER(cholmod_triplet_to_sparse);
NEVER(cholmod_zeros);

/* CXSparse */
NEVER(cs_di_amd);
NEVER(cs_di_calloc);
NEVER(cs_di_chol);
NEVER(cs_di_cholsol);
NEVER(cs_di_compress);
NEVER(cs_di_counts);
NEVER(cs_di_cumsum);
NEVER(cs_di_etree);
NEVER(cs_di_free);
NEVER(cs_di_ipvec);
NEVER(cs_di_lsolve);
NEVER(cs_di_ltsolve);
NEVER(cs_di_malloc);
NEVER(cs_di_multiply);
NEVER(cs_di_nfree);
NEVER(cs_di_pinv);
NEVER(cs_di_post);
NEVER(cs_di_pvec);
NEVER(cs_di_schol);
NEVER(cs_di_sfree);
NEVER(cs_di_spfree);
NEVER(cs_di_symperm);
NEVER(cs_di_transpose);

/* LAPACK */
NEVER(dgeqrf_);
NEVER(dormqr_);
NEVER(dpotrf_);
NEVER(dpotrs_);
NEVER(dtrtrs_);
