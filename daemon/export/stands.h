/* stands: what of a dive's record counts, told by the state of a sighting, span or sample. */
#ifndef BELLROPE_EXPORT_STANDS_H
#define BELLROPE_EXPORT_STANDS_H

#include <stdbool.h>

/* Not struck, withdrawn, retired or refused; an unknown state does not stand either. */
bool stands(const char *state);

#endif
