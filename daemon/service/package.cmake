# What `cmake --install` puts where, and the Debian package that CPack makes of it (`cpack -G DEB` in the build folder).
# tests/integration/package.sh says where each must lie. The package's postinst makes the user and the folders; it starts and enables
# nothing: the configuration is the ship's to write.
include(GNUInstallDirs)
set(DOC ${CMAKE_INSTALL_DATAROOTDIR}/doc/bellrope)
set(SERVICE ${CMAKE_SOURCE_DIR}/daemon/service)

# The command's manual pages and completions come of its verbs' own tables; the other programs' pages are written by hand.
set(PAGES ${CMAKE_BINARY_DIR}/pages)
add_custom_command(OUTPUT ${PAGES}/made
  COMMAND ${CMAKE_COMMAND} -E rm -rf ${PAGES}
  COMMAND ${CMAKE_COMMAND} -E make_directory ${PAGES}/man
  COMMAND ${CMAKE_COMMAND} -E env ASAN_OPTIONS=detect_leaks=0 $<TARGET_FILE:bellrope> manpage -o ${PAGES}/man
  COMMAND ${CMAKE_COMMAND} -E env ASAN_OPTIONS=detect_leaks=0 $<TARGET_FILE:bellrope> completion bash >${PAGES}/bellrope
  COMMAND ${CMAKE_COMMAND} -E env ASAN_OPTIONS=detect_leaks=0 $<TARGET_FILE:bellrope> completion zsh >${PAGES}/_bellrope
  COMMAND ${CMAKE_COMMAND} -E touch ${PAGES}/made
  DEPENDS bellrope COMMENT "Writing manual pages and completions")
add_custom_target(pages ALL DEPENDS ${PAGES}/made)

install(TARGETS bellroped bellrope bellrope-rig bellrope-padtool RUNTIME DESTINATION ${CMAKE_INSTALL_BINDIR})
install(DIRECTORY ${PAGES}/man/ DESTINATION ${CMAKE_INSTALL_MANDIR}/man1)
install(FILES ${SERVICE}/man/bellrope-rig.1 ${SERVICE}/man/bellrope-padtool.1 DESTINATION ${CMAKE_INSTALL_MANDIR}/man1)
install(FILES ${SERVICE}/man/bellroped.8 DESTINATION ${CMAKE_INSTALL_MANDIR}/man8)
install(FILES ${PAGES}/bellrope DESTINATION ${CMAKE_INSTALL_DATAROOTDIR}/bash-completion/completions)

install(CODE "set(SOURCE \"${CMAKE_SOURCE_DIR}\")
set(BINARY \"${CMAKE_BINARY_DIR}\")
set(DATA \"${CMAKE_INSTALL_DATAROOTDIR}\")
set(DOC \"${DOC}\")")
install(SCRIPT ${SERVICE}/places.cmake)
install(FILES ${SERVICE}/bellrope.sysusers DESTINATION lib/sysusers.d RENAME bellrope.conf)
install(FILES ${SERVICE}/bellrope.tmpfiles DESTINATION lib/tmpfiles.d RENAME bellrope.conf)
install(FILES ${CMAKE_SOURCE_DIR}/firmware-sim/70-bellrope-pad.rules DESTINATION lib/udev/rules.d)

file(GLOB documents ${CMAKE_SOURCE_DIR}/docs/*.md ${CMAKE_SOURCE_DIR}/docs/*.svg)
install(FILES ${documents} ${CMAKE_SOURCE_DIR}/README.md DESTINATION ${DOC})
install(FILES ${CMAKE_SOURCE_DIR}/LICENSE DESTINATION ${DOC} RENAME copyright)
install(DIRECTORY ${CMAKE_SOURCE_DIR}/docs/schema DESTINATION ${DOC})
install(FILES ${SERVICE}/network.conf DESTINATION ${DOC}/examples)
install(DIRECTORY ${CMAKE_SOURCE_DIR}/docs/plans DESTINATION ${CMAKE_INSTALL_DATAROOTDIR}/bellrope)
if(TARGET avr-image)
  install(FILES ${CMAKE_BINARY_DIR}/bellrope-pad.hex DESTINATION ${CMAKE_INSTALL_DATAROOTDIR}/bellrope OPTIONAL)
endif()

set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_NAME bellrope)
set(CPACK_PACKAGE_VERSION ${PROJECT_VERSION})
set(CPACK_PACKAGE_CONTACT "The Bellrope contributors <bellrope@example.invalid>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "one key press becomes a durable, time- and place-stamped marker of a dive")
set(CPACK_DEBIAN_PACKAGE_DESCRIPTION "The daemon that keeps the key presses of a dive with their instant, timecode and
place, the command for people, the simulated rig and the tool for keypads.
NOT FOR NAVIGATION OR VEHICLE SAFETY.")
set(CPACK_DEBIAN_PACKAGE_SECTION science)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_DEPENDS passwd)
set(CPACK_DEBIAN_PACKAGE_RECOMMENDS "systemd, sqlite3, ffmpeg")
set(CPACK_DEBIAN_PACKAGE_SUGGESTS "alsa-utils, chrony | systemd-timesyncd")
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_STRIP_FILES ON)
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)
set(CPACK_DEBIAN_PACKAGE_CONTROL_EXTRA "${SERVICE}/debian/postinst;${SERVICE}/debian/prerm;${SERVICE}/debian/postrm")
include(CPack)
