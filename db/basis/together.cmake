# Sources of one subject (fit/belts and the folders in it, or what lies in fit itself) compiled
# together, up to twelve as one: what they include is parsed once for all of them, and templates are
# made once, which halves the processor time of a build from nothing. After a change the whole dozen
# is compiled again, so that this is for builds from nothing: demo.sh and tests/run.sh ask for it
# (-DLOADLINE_TOGETHER=ON) in a folder that they set up themselves.
#
# Names of one subject's sources must therefore differ, those in anonymous namespaces too. That every
# source includes what it uses shows in a build without this (clang-tidy's).
#
# loadline_together(FOLDER…): for every target that these folders, and those below them, define.
option(LOADLINE_TOGETHER "Compile the sources of a subject together" OFF)
set(LOADLINE_MOST_TOGETHER 12)

function(loadline_together)
  foreach(folder ${ARGN})
    get_property(below DIRECTORY ${folder} PROPERTY SUBDIRECTORIES)
    loadline_together(${below})
    get_property(targets DIRECTORY ${folder} PROPERTY BUILDSYSTEM_TARGETS)
    foreach(target ${targets})
      get_target_property(kind ${target} TYPE)
      get_target_property(sources ${target} SOURCES)
      if(NOT kind MATCHES "_LIBRARY$|EXECUTABLE" OR NOT sources)
        continue()
      endif()
      set_target_properties(${target} PROPERTIES UNITY_BUILD ON UNITY_BUILD_MODE GROUP)
      foreach(source ${sources})
        if(IS_ABSOLUTE ${source} OR NOT source MATCHES "[.]cc$")
          continue()  # made by the build, or firmware
        endif()
        file(RELATIVE_PATH of ${PROJECT_SOURCE_DIR} ${folder}/${source})
        string(REGEX REPLACE "^([^/]+(/[^/]+)?)/.*" "\\1" of ${of})
        string(MAKE_C_IDENTIFIER "${target}_${of}" group)
        if(NOT DEFINED count_${group})
          set(count_${group} 0)
        endif()
        math(EXPR number "${count_${group}} / ${LOADLINE_MOST_TOGETHER}")
        math(EXPR count_${group} "${count_${group}} + 1")
        set_property(SOURCE ${folder}/${source} DIRECTORY ${folder} PROPERTY UNITY_GROUP "${group}_${number}")
      endforeach()
    endforeach()
  endforeach()
endfunction()
