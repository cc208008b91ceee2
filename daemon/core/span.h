/* span: what starts and ends: close-ups, transects, and the phases of the dive; a part of watchfold. The rules are in watchlog.h. */
#ifndef BELLROPE_CORE_SPAN_H
#define BELLROPE_CORE_SPAN_H

#include "core/watchfold.h"

void span_toggle(struct watchfold *fold, uint32_t at);
void span_phase(struct watchfold *fold, uint32_t at);
/* Closes what is open because the dive has ended. */
void span_end(struct watchfold *fold);

#endif
