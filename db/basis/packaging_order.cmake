# Read by cpack when a package is made, before packaging_sums.cmake: packs it anew with its files in
# order of their names. cpack takes them as the file system lists them, which differs from one to the
# next.
set(work ${CPACK_TEMPORARY_DIRECTORY}-in-order)
file(REMOVE_RECURSE ${work})
foreach(package ${CPACK_PACKAGE_FILES})
  if(package MATCHES "\\.deb$")
    execute_process(COMMAND dpkg-deb --raw-extract ${package} ${work} COMMAND_ERROR_IS_FATAL ANY)
    execute_process(COMMAND env LC_ALL=C sort -k 2 -o ${work}/DEBIAN/md5sums ${work}/DEBIAN/md5sums
                    COMMAND_ERROR_IS_FATAL ANY)
    # The size as Debian counts it (deb-substvars(5)): whole KiB for each file, one for anything else.
    execute_process(COMMAND find ${work}/usr -type f -printf "%s\\n"
                    COMMAND awk "{ kib += int(($1 + 1023) / 1024) } END { print kib }"
                    OUTPUT_VARIABLE files OUTPUT_STRIP_TRAILING_WHITESPACE)
    execute_process(COMMAND find ${work}/usr -not -type f -printf "."
                    OUTPUT_VARIABLE others)
    string(LENGTH "${others}" others)
    math(EXPR size "${files} + ${others}")
    execute_process(COMMAND sed -i "s/^Installed-Size: .*/Installed-Size: ${size}/"
                            ${work}/DEBIAN/control)
    execute_process(COMMAND touch -d @$ENV{SOURCE_DATE_EPOCH} ${work}/DEBIAN/control
                            ${work}/DEBIAN/md5sums ${work}/DEBIAN)
    # Not xz: its bytes depend on how many threads there are.
    execute_process(COMMAND dpkg-deb --root-owner-group -Zgzip -z9 --build ${work} ${package}
                    OUTPUT_QUIET COMMAND_ERROR_IS_FATAL ANY)
  else()
    file(MAKE_DIRECTORY ${work})
    execute_process(COMMAND tar -xzf ${package} -C ${work} COMMAND_ERROR_IS_FATAL ANY)
    execute_process(COMMAND sh -c "LC_ALL=C tar -C '${work}' --sort=name --mode=u=rwX,go=rX --owner=0 --group=0 --numeric-owner --mtime=@$ENV{SOURCE_DATE_EPOCH} --format=gnu -cf - * | gzip -9n > '${package}'"
                    WORKING_DIRECTORY ${work} COMMAND_ERROR_IS_FATAL ANY)
  endif()
  file(REMOVE_RECURSE ${work})
endforeach()
