# Read by cpack when a package is as it will be: writes its SHA-256 beside where it goes and, with a key of
# gpg's in $LOADLINE_SIGN_WITH (a fingerprint or an address), signs that. Who gets a package looks with
# `gpg --verify NAME.sha256.asc && sha256sum -c NAME.sha256`, once he has the key from a source that he trusts.
foreach(package ${CPACK_PACKAGE_FILES})
  get_filename_component(name ${package} NAME)
  set(sum ${CPACK_PACKAGE_DIRECTORY}/${name}.sha256)
  file(SHA256 ${package} bytes)
  file(WRITE ${sum} "${bytes}  ${name}\n")
  file(REMOVE ${sum}.asc)
  if(DEFINED ENV{LOADLINE_SIGN_WITH})
    execute_process(COMMAND gpg --batch --yes --armor --local-user $ENV{LOADLINE_SIGN_WITH}
                            --output ${sum}.asc --detach-sign ${sum}
                    RESULT_VARIABLE failed ERROR_VARIABLE words)
    if(failed)
      message(FATAL_ERROR "gpg does not sign with '$ENV{LOADLINE_SIGN_WITH}': ${words}")
    endif()
  endif()
endforeach()
