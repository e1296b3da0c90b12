# loadline_texts_by_code(TARGET FILES NAME TYPE LIST): the files of the pattern FILES, each named by the
# code of a language before its ending, become parts of TARGET, and `std::vector<TYPE> LIST()` gives
# the code and the text of each. Declare both where they are used.
function(loadline_texts_by_code target files name type list)
  file(GLOB found CONFIGURE_DEPENDS ${CMAKE_CURRENT_SOURCE_DIR}/${files})
  set(declared "")
  set(listed "")
  foreach(file IN LISTS found)
    string(REGEX REPLACE ".*[/.]([^/.]+)[.][^/.]+$" "\\1" code ${file})
    loadline_embed(${target} ${name}_${code} ${file})
    string(APPEND declared "extern const std::string_view ${name}_${code};\n")
    string(APPEND listed "    {\"${code}\", ${name}_${code}},\n")
  endforeach()
  set(out ${CMAKE_CURRENT_BINARY_DIR}/embedded/${list}.cc)
  file(CONFIGURE OUTPUT ${out} @ONLY CONTENT
"#include <string_view>
#include <vector>
namespace loadline {
struct @type@ {
  std::string_view code, text;
};
@declared@std::vector<@type@> @list@();
std::vector<@type@> @list@() {
  return {
@listed@  };
}
}  // namespace loadline
")
  target_sources(${target} PRIVATE ${out})
  set_source_files_properties(${out} PROPERTIES SKIP_PRECOMPILE_HEADERS ON)
endfunction()
