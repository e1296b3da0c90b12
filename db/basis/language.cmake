# loadline_languages(TARGET FOLDER): every FOLDER/CODE.po becomes a language of TARGET, so that
# adding one is adding its file.
function(loadline_languages target folder)
  file(GLOB files CONFIGURE_DEPENDS ${CMAKE_CURRENT_SOURCE_DIR}/${folder}/*.po)
  set(declared "")
  set(listed "")
  foreach(file IN LISTS files)
    get_filename_component(code ${file} NAME_WE)
    loadline_embed(${target} kLanguage_${code} ${file})
    string(APPEND declared "extern const std::string_view kLanguage_${code};\n")
    string(APPEND listed "    {\"${code}\", kLanguage_${code}},\n")
  endforeach()
  set(out ${CMAKE_CURRENT_BINARY_DIR}/embedded/language_files.cc)
  file(CONFIGURE OUTPUT ${out} @ONLY CONTENT
"#include <string_view>
#include <vector>
namespace loadline {
struct LanguageFile {
  std::string_view code, text;
};
@declared@std::vector<LanguageFile> language_files();
std::vector<LanguageFile> language_files() {
  return {
@listed@  };
}
}  // namespace loadline
")
  target_sources(${target} PRIVATE ${out})
  set_source_files_properties(${out} PROPERTIES SKIP_PRECOMPILE_HEADERS ON)
endfunction()

# loadline_page_words(TARGET FOLDER): the same for the words of the live page, FOLDER/words.CODE.js.
function(loadline_page_words target folder)
  file(GLOB files CONFIGURE_DEPENDS ${CMAKE_CURRENT_SOURCE_DIR}/${folder}/words.*.js)
  set(declared "")
  set(listed "")
  foreach(file IN LISTS files)
    string(REGEX REPLACE ".*words[.](.*)[.]js$" "\\1" code ${file})
    loadline_embed(${target} kPageWords_${code} ${file})
    string(APPEND declared "extern const std::string_view kPageWords_${code};\n")
    string(APPEND listed "    {\"${code}\", kPageWords_${code}},\n")
  endforeach()
  set(out ${CMAKE_CURRENT_BINARY_DIR}/embedded/page_words.cc)
  file(CONFIGURE OUTPUT ${out} @ONLY CONTENT
"#include <string_view>
#include <vector>
namespace loadline {
struct PageWords {
  std::string_view code, text;
};
@declared@std::vector<PageWords> page_words();
std::vector<PageWords> page_words() {
  return {
@listed@  };
}
}  // namespace loadline
")
  target_sources(${target} PRIVATE ${out})
  set_source_files_properties(${out} PROPERTIES SKIP_PRECOMPILE_HEADERS ON)
endfunction()
