# `cmake --install`, the Debian package and the archive that runs from any folder (`cpack` in the build
# folder makes both, with their SHA-256): programs, man pages and completions made by the programs
# themselves, the udev rule for rigs, the sample runs, the pages to read. (The firmware image, where one is built, is installed by its own folder.) Included last, when
# every program is known.
include(GNUInstallDirs)

set(pages)
foreach(program loadline-db loadline-fit loadline-logger loadline-simrig)
  if(NOT TARGET ${program})
    continue()
  endif()
  install(TARGETS ${program} RUNTIME DESTINATION ${CMAKE_INSTALL_BINDIR})
  set(page ${PROJECT_BINARY_DIR}/pages/${program}.1)
  set(words ${PROJECT_BINARY_DIR}/pages/${program})
  add_custom_command(OUTPUT ${page}.gz ${words}
    COMMAND ${CMAKE_COMMAND} -E make_directory ${PROJECT_BINARY_DIR}/pages
    COMMAND ${program} --man > ${page}
    COMMAND gzip -9nkf ${page}
    COMMAND ${program} --completion > ${words}
    DEPENDS ${program} VERBATIM)
  list(APPEND pages ${page}.gz ${words})
  install(FILES ${page}.gz DESTINATION ${CMAKE_INSTALL_MANDIR}/man1)
  install(FILES ${words} DESTINATION ${CMAKE_INSTALL_DATADIR}/bash-completion/completions)
endforeach()
add_custom_target(pages ALL DEPENDS ${pages})

install(FILES logger/udev/70-loadline-rig.rules DESTINATION lib/udev/rules.d)
install(FILES logger/systemd/loadline-watch@.service DESTINATION lib/systemd/system)
install(DIRECTORY sample-runs/ DESTINATION ${CMAKE_INSTALL_DATADIR}/loadline/sample-runs)
# Where README.md says that they are, so that its links hold.
foreach(page README.md DEVELOPERS.md firmware-protocol/wire.md firmware-protocol/firmware/README.md
             fit/limits.md logger/evening.md logger/sound/README.md sample-runs/README.md
             sample-runs/crossing.svg)
  get_filename_component(folder ${page} DIRECTORY)
  install(FILES ${page} DESTINATION ${CMAKE_INSTALL_DOCDIR}/${folder})
endforeach()

# A package shows its licence in a file of that name (Debian policy, 12.5); it is written in README.md.
set_property(DIRECTORY APPEND PROPERTY CMAKE_CONFIGURE_DEPENDS README.md)
file(READ README.md readme)
string(FIND "${readme}" "## Licence" licence_at)
string(SUBSTRING "${readme}" ${licence_at} -1 licence)
file(WRITE ${PROJECT_BINARY_DIR}/copyright "${licence}")
install(FILES ${PROJECT_BINARY_DIR}/copyright DESTINATION ${CMAKE_INSTALL_DOCDIR})

# The same bytes wherever and whenever they are built (packaging_times.cmake); packages_test.sh looks.
set(CPACK_GENERATOR DEB TGZ)
set(CPACK_PROJECT_CONFIG_FILE ${CMAKE_CURRENT_LIST_DIR}/packaging_times.cmake)
set(CPACK_PRE_BUILD_SCRIPTS ${CMAKE_CURRENT_LIST_DIR}/packaging_times.cmake)
set(CPACK_POST_BUILD_SCRIPTS ${CMAKE_CURRENT_LIST_DIR}/packaging_order.cmake
                             ${CMAKE_CURRENT_LIST_DIR}/packaging_sums.cmake)
set(CPACK_LOADLINE_SOURCE ${PROJECT_SOURCE_DIR})
set(CPACK_ARCHIVE_COMPONENT_INSTALL OFF)
set(CPACK_PACKAGE_NAME loadline)
set(CPACK_PACKAGE_VENDOR "Loadline")
set(CPACK_PACKAGE_CONTACT "The Loadline developers <loadline@localhost>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY ${PROJECT_DESCRIPTION})
set(CPACK_DEBIAN_PACKAGE_DESCRIPTION
"Records motors, belts and machines on a home-made test bench, fits their
torque and drag curves with honest intervals, and answers which motor, pulley
and belt belong together. Comes with a simulated bench and sample runs.")
set(CPACK_PACKAGE_FILE_NAME
    loadline-${PROJECT_VERSION}-${CMAKE_SYSTEM_NAME}-${CMAKE_SYSTEM_PROCESSOR})
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_SECTION science)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
# Loaded when a take is read, so that nothing sees it in the program (logger/sound/sound_library.h).
set(CPACK_DEBIAN_PACKAGE_DEPENDS libsndfile1)
set(CPACK_DEBIAN_PACKAGE_SUGGESTS "sqlite3, chromium | www-browser")
if(LOADLINE_ARM64_ROOT)
  set(CPACK_DEBIAN_PACKAGE_ARCHITECTURE arm64)
  set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS_PRIVATE_DIRS
      ${LOADLINE_ARM64_ROOT}/usr/lib/aarch64-linux-gnu)
  set(CPACK_LOADLINE_SHLIBS ${LOADLINE_ARM64_ROOT}/shlibs)
endif()
set(CPACK_STRIP_FILES ON)
include(CPack)
