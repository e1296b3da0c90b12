# Libraries that are linked in: Debian 12 and the next release carry them under different names, and a
# package is to install on both. What the programs load instead stands in
# tests/commands/libraries_test.sh.

# Boost's options as an archive; where there is none (other systems), as they come.
set(Boost_USE_STATIC_LIBS ON)
find_package(Boost 1.74 QUIET COMPONENTS program_options)
if(NOT Boost_FOUND)
  set(Boost_USE_STATIC_LIBS OFF)
  find_package(Boost 1.74 REQUIRED COMPONENTS program_options)
endif()
# Archive or not, the sources are compiled alike, so that one compiler cache serves both.
set_property(TARGET Boost::program_options APPEND PROPERTY
             INTERFACE_COMPILE_DEFINITIONS BOOST_PROGRAM_OPTIONS_DYN_LINK)

# The text library from its headers, compiled once in linked_text.cc; fmt::fmt is ours then. A version
# whose parts have changed is taken as its shared library.
find_path(LOADLINE_FMT_HEADERS fmt/format-inl.h)
if(LOADLINE_FMT_HEADERS AND NOT DEFINED LOADLINE_TEXT_LINKED_IN)
  file(WRITE ${PROJECT_BINARY_DIR}/linked_text_main.cc
       "#include <fmt/chrono.h>\n#include <fmt/ranges.h>\n#include <vector>\n"
       "int main(int n, char** v) {\n"
       "  fmt::print(\"{:L} {} {} {}\", 1.5 * n, 1.5f, v[0], std::vector<int>{n}); }\n")
  try_compile(LOADLINE_TEXT_LINKED_IN ${PROJECT_BINARY_DIR}/linked_text
              SOURCES ${CMAKE_CURRENT_LIST_DIR}/linked_text.cc
                      ${PROJECT_BINARY_DIR}/linked_text_main.cc
              CMAKE_FLAGS -DINCLUDE_DIRECTORIES=${LOADLINE_FMT_HEADERS}
              CXX_STANDARD 20)
endif()
if(LOADLINE_TEXT_LINKED_IN)
  add_library(loadline_text STATIC ${CMAKE_CURRENT_LIST_DIR}/linked_text.cc)
  target_include_directories(loadline_text SYSTEM PUBLIC ${LOADLINE_FMT_HEADERS})
  target_compile_definitions(loadline_text PUBLIC FMT_SHARED)
  add_library(fmt::fmt ALIAS loadline_text)
else()
  find_package(fmt 9 REQUIRED)
endif()
