# Run by `cmake --install`, when the prefix is known: the unit and the sample configuration name files under it, and zsh looks in
# another folder for what a package brings than for what is installed by hand. SOURCE, BINARY, DATA and DOC are set by package.cmake.
set(prefix ${CMAKE_INSTALL_PREFIX})
set(scratch ${BINARY}/installed)

file(READ ${SOURCE}/daemon/service/bellroped.service unit)
string(REPLACE "/usr/" "${prefix}/" unit "${unit}")
file(WRITE ${scratch}/bellroped.service "${unit}")
file(INSTALL ${scratch}/bellroped.service DESTINATION ${prefix}/lib/systemd/system)

# The sample has its files beside it; a service's are where its user may write.
file(READ ${SOURCE}/docs/bellrope.ini ini)
string(REPLACE "= plans/" "= ${prefix}/${DATA}/bellrope/plans/" ini "${ini}")
string(REPLACE "= dive." "= /var/lib/bellrope/dive." ini "${ini}")
string(REPLACE "= bellrope.sock" "= /run/bellrope/bellrope.sock" ini "${ini}")
file(WRITE ${scratch}/bellrope.ini "${ini}")
file(INSTALL ${scratch}/bellrope.ini DESTINATION ${prefix}/${DOC}/examples)

if(prefix STREQUAL "/usr")
  set(zsh vendor-completions)
else()
  set(zsh site-functions)
endif()
file(INSTALL ${BINARY}/pages/_bellrope DESTINATION ${prefix}/${DATA}/zsh/${zsh})
