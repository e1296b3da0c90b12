# Read by cpack, once before each package and once when its files lie ready: all times in a package are
# that of the last change (or $SOURCE_DATE_EPOCH), all rights those that a package should have, so
# that the same source gives the same bytes.
if(NOT DEFINED ENV{SOURCE_DATE_EPOCH})
  execute_process(COMMAND git -C ${CPACK_LOADLINE_SOURCE} log -1 --format=%ct
                  OUTPUT_VARIABLE changed OUTPUT_STRIP_TRAILING_WHITESPACE ERROR_QUIET)
  if(NOT changed)  # no clone: the readme is as old as the release
    file(TIMESTAMP ${CPACK_LOADLINE_SOURCE}/README.md changed "%s" UTC)
  endif()
  set(ENV{SOURCE_DATE_EPOCH} ${changed})
endif()

if(CPACK_GENERATOR STREQUAL "DEB")
  set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
else()
  set(CPACK_PACKAGING_INSTALL_PREFIX "")
endif()

if(CPACK_TEMPORARY_DIRECTORY AND IS_DIRECTORY "${CPACK_TEMPORARY_DIRECTORY}")
  execute_process(
    COMMAND find ${CPACK_TEMPORARY_DIRECTORY} -exec touch -h -d @$ENV{SOURCE_DATE_EPOCH} {} +)
  execute_process(COMMAND chmod -R u=rwX,go=rX ${CPACK_TEMPORARY_DIRECTORY})
  if(CPACK_GENERATOR STREQUAL "DEB" AND CPACK_LOADLINE_SHLIBS)
    # Read by dpkg-shlibdeps in the place of the packages installed here, which are for another
    # processor.
    configure_file(${CPACK_LOADLINE_SHLIBS} ${CPACK_TEMPORARY_DIRECTORY}/debian/shlibs.local COPYONLY)
  endif()
endif()
