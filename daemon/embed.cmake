# Turns a text file into a C string constant: cmake -DIN=... -DOUT=... -DNAME=... -P embed.cmake
# One string literal a line keeps each under the length that C11 promises.
file(STRINGS ${IN} lines)
set(text "static const char ${NAME}[] =\n")
foreach(line IN LISTS lines)
  string(REPLACE "\\" "\\\\" line "${line}")
  string(REPLACE "\"" "\\\"" line "${line}")
  string(APPEND text "    \"${line}\\n\"\n")
endforeach()
file(WRITE ${OUT} "${text}    ;\n")
