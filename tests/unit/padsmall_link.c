/* The pad and its host, with the sizes of the small part: ten presses in RAM, the others on record. */
#include "unit/pad_link.c"
