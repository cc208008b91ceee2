/* The same for the plain version of bytes16, which processors without SSE2 use. */
#define BELLROPE_PLAIN_BYTES16
#include "property/core_bytes16.c"
