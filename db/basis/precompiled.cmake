# Precompiled headers: what nearly every source of a part includes from other people's libraries,
# parsed once. None of our own headers is among them, so that a change to one rebuilds only what
# includes it; and every source still includes what it uses (a build without them shows it:
# -DLOADLINE_PRECOMPILED=OFF, as tests/run.sh does for clang-tidy).
#
# loadline_precompiled(KIND TARGET…): KIND is
#   plain   the standard library and text
#   json    and JSON and command lines
#   fit     plain, dense matrices and dual numbers
#   all     all of these
#   answers fit, in a build from nothing all: what computes seldom enough to be optimised less
# JSON stays out of the first and the third because it costs half a second in each source that only
# has it at hand: its literals are inline functions over the whole parser.
if(CMAKE_CXX_COMPILER_ID STREQUAL "GNU" AND NOT LOADLINE_FUZZ)
  set(precompiled_default ON)
else()
  set(precompiled_default OFF)  # clang takes none that was made under other definitions
endif()
option(LOADLINE_PRECOMPILED "Precompile the headers of other people's libraries"
       ${precompiled_default})

set(plain_headers <algorithm> <array> <chrono> <cmath> <cstdint> <filesystem> <functional> <limits>
    <map> <memory> <numeric> <optional> <random> <set> <span> <sstream> <string> <string_view>
    <utility> <vector> <fmt/format.h>)
set(json_headers <nlohmann/json.hpp> <boost/program_options.hpp>)
set(fit_headers <Eigen/Dense> <ceres/jet.h>)

# A precompiled header goes only with the definitions that it was made with.
set(precompiled_definitions)
foreach(library fmt::fmt Boost::program_options)
  list(APPEND precompiled_definitions $<TARGET_PROPERTY:${library},INTERFACE_COMPILE_DEFINITIONS>)
endforeach()

# A build from nothing (together.cmake) optimises the kinds with command lines less: they read commands,
# write words and serve pages, and take a quarter to a third less time to compile. What computes much
# has another kind. A header is precompiled for one way to optimise, so that this goes by kind.
function(loadline_optimise kind target)
  if(LOADLINE_TOGETHER AND CMAKE_CXX_COMPILER_ID STREQUAL "GNU" AND kind MATCHES "^(json|all)$")
    # Optimised less, GCC warns of copies that never happen; the usual build keeps the warning.
    target_compile_options(${target} PRIVATE
                           "$<$<CONFIG:Release>:-O1;-Wno-maybe-uninitialized>")
  endif()
endfunction()

function(loadline_precompile kind)
  set(empty ${PROJECT_BINARY_DIR}/precompiled/${kind}.cc)
  file(CONFIGURE OUTPUT ${empty} CONTENT "")
  set(target loadline_precompiled_${kind})
  add_library(${target} OBJECT EXCLUDE_FROM_ALL ${empty})
  target_link_libraries(${target} PRIVATE loadline_settings)
  target_include_directories(${target} SYSTEM PRIVATE
                             $<TARGET_PROPERTY:Eigen3::Eigen,INTERFACE_INCLUDE_DIRECTORIES>)
  target_compile_definitions(${target} PRIVATE ${precompiled_definitions})
  target_precompile_headers(${target} PRIVATE ${ARGN})
  loadline_optimise(${kind} ${target})
endfunction()

function(loadline_precompiled kind)
  if(LOADLINE_TOGETHER AND kind STREQUAL "json")
    set(kind all)  # so few sources are left that a header of their own does not pay
  endif()
  if(kind STREQUAL "answers")
    set(kind fit)
    if(LOADLINE_TOGETHER)
      set(kind all)
    endif()
  endif()
  if(LOADLINE_PRECOMPILED)
    foreach(target ${ARGN})
      target_compile_definitions(${target} PRIVATE ${precompiled_definitions})
      target_precompile_headers(${target} REUSE_FROM loadline_precompiled_${kind})
      loadline_optimise(${kind} ${target})
    endforeach()
  endif()
endfunction()

if(LOADLINE_PRECOMPILED)
  loadline_precompile(plain ${plain_headers})
  if(NOT LOADLINE_TOGETHER)
    loadline_precompile(json ${plain_headers} ${json_headers})
  endif()
  loadline_precompile(fit ${plain_headers} ${fit_headers})
  loadline_precompile(all ${plain_headers} ${json_headers} ${fit_headers})
endif()
