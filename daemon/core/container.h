/* container: samples, their numbers, and whether a container takes one more; a part of watchfold. The rules are in watchlog.h. */
#ifndef BELLROPE_CORE_CONTAINER_H
#define BELLROPE_CORE_CONTAINER_H

#include "core/watchfold.h"

/* The container's answer to the sample at index `at`, given once: a number, or none. Strikes must have been looked at. */
void container_decide(struct watchfold *fold, uint32_t at);
void container_sample(struct watchfold *fold, uint32_t at);

/* Samples that stand in a container; the first `max` of their numbers, in order, into `numbers` (may be NULL with 0). */
uint32_t container_contents(const struct watchfold *fold, const char *container, uint32_t *numbers,
                            uint32_t max);

#endif
