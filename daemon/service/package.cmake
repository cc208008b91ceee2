# What `cmake --install` puts where, and the Debian package that CPack makes of it (`cpack -G DEB` in the build folder).
# The package's postinst makes the user and the folders; it starts and enables nothing: the configuration is the ship's to write.
include(GNUInstallDirs)
set(DOC ${CMAKE_INSTALL_DATAROOTDIR}/doc/bellrope)
set(SERVICE ${CMAKE_SOURCE_DIR}/daemon/service)

install(TARGETS bellroped bellrope bellrope-rig bellrope-padtool RUNTIME DESTINATION ${CMAKE_INSTALL_BINDIR})
install(FILES ${SERVICE}/bellroped.service DESTINATION lib/systemd/system)
install(FILES ${SERVICE}/bellrope.sysusers DESTINATION lib/sysusers.d RENAME bellrope.conf)
install(FILES ${SERVICE}/bellrope.tmpfiles DESTINATION lib/tmpfiles.d RENAME bellrope.conf)
install(FILES ${CMAKE_SOURCE_DIR}/firmware-sim/70-bellrope-pad.rules DESTINATION lib/udev/rules.d)

file(GLOB documents ${CMAKE_SOURCE_DIR}/docs/*.md ${CMAKE_SOURCE_DIR}/docs/*.svg)
install(FILES ${documents} ${CMAKE_SOURCE_DIR}/README.md DESTINATION ${DOC})
install(FILES ${CMAKE_SOURCE_DIR}/LICENSE DESTINATION ${DOC} RENAME copyright)
install(DIRECTORY ${CMAKE_SOURCE_DIR}/docs/schema DESTINATION ${DOC})
install(FILES ${CMAKE_SOURCE_DIR}/docs/bellrope.ini ${SERVICE}/network.conf DESTINATION ${DOC}/examples)
install(DIRECTORY ${CMAKE_SOURCE_DIR}/docs/plans DESTINATION ${CMAKE_INSTALL_DATAROOTDIR}/bellrope)
if(TARGET avr-image)
  install(FILES ${CMAKE_BINARY_DIR}/bellrope-pad.hex DESTINATION ${CMAKE_INSTALL_DATAROOTDIR}/bellrope OPTIONAL)
endif()

# Manual pages and completions, where they have been made (in the tree, or into the build folder).
install(DIRECTORY ${CMAKE_SOURCE_DIR}/docs/man/ ${CMAKE_BINARY_DIR}/man/ DESTINATION ${CMAKE_INSTALL_MANDIR}/man1 OPTIONAL
        FILES_MATCHING PATTERN "*.1")
install(DIRECTORY ${CMAKE_SOURCE_DIR}/docs/man/ ${CMAKE_BINARY_DIR}/man/ DESTINATION ${CMAKE_INSTALL_MANDIR}/man8 OPTIONAL
        FILES_MATCHING PATTERN "*.8")
install(DIRECTORY ${CMAKE_BINARY_DIR}/completions/ DESTINATION ${CMAKE_INSTALL_DATAROOTDIR}/bash-completion/completions OPTIONAL)

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
set(CPACK_DEBIAN_PACKAGE_RECOMMENDS "systemd, sqlite3, ffmpeg")
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_STRIP_FILES ON)
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)
set(CPACK_DEBIAN_PACKAGE_CONTROL_EXTRA "${SERVICE}/debian/postinst;${SERVICE}/debian/prerm;${SERVICE}/debian/postrm")
include(CPack)
