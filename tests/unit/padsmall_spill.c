/* What survives loss of power, with the sizes of the small part: ten presses in RAM, the others on record. */
#include "unit/pad_spill.c"
