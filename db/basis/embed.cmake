# Puts a file into a program at build time, so that pages need nothing from elsewhere.
#
# loadline_embed(TARGET NAME FILE): TARGET gains `const std::string_view loadline::NAME`, the bytes
# of FILE. Declare it where it is used: namespace loadline { extern const std::string_view NAME; }
#
# As a script (cmake -DNAME=… -DFILE=… -DOUT=… -P embed.cmake) it writes the source.
if(CMAKE_SCRIPT_MODE_FILE)
  file(READ "${FILE}" hex HEX)
  string(LENGTH "${hex}" digits)
  math(EXPR size "${digits} / 2")
  string(REGEX REPLACE "([0-9a-f][0-9a-f])" "0x\\1," bytes "${hex}")
  file(WRITE "${OUT}" "#include <string_view>\n"
       "namespace loadline {\nextern const std::string_view ${NAME};\n"
       "static const unsigned char kBytes[] = {${bytes}0};\n"
       "const std::string_view ${NAME}{reinterpret_cast<const char*>(kBytes), ${size}};\n}\n")
  return()
endif()

set(LOADLINE_EMBED_SCRIPT ${CMAKE_CURRENT_LIST_FILE})
function(loadline_embed target name file)
  get_filename_component(path ${file} ABSOLUTE)
  set(out ${CMAKE_CURRENT_BINARY_DIR}/embedded/${name}.cc)
  add_custom_command(OUTPUT ${out}
    COMMAND ${CMAKE_COMMAND} -DNAME=${name} -DFILE=${path} -DOUT=${out} -P ${LOADLINE_EMBED_SCRIPT}
    DEPENDS ${path} ${LOADLINE_EMBED_SCRIPT} VERBATIM)
  target_sources(${target} PRIVATE ${out})
  set_source_files_properties(${out} PROPERTIES SKIP_PRECOMPILE_HEADERS ON)
endfunction()
