/*
 * watchemit: outcomes as the objects that others see, and the changes between two folds as calls of the sink; a part of watchlog.
 */
#ifndef BELLROPE_CORE_WATCHEMIT_H
#define BELLROPE_CORE_WATCHEMIT_H

#include "core/watchfold.h"

struct watchemit {
    const struct watchfold *fold;
    watch_sink *sink; /* NULL: nobody listens */
    void *ctx;
    bool recomputed;
    uint32_t own; /* marker whose link the caller hands back himself; 0: none */
};

/* Objects as they are now. Of an index whose outcome opens that kind of object. */
struct sighting watchemit_sighting(const struct watchfold *fold, uint32_t at);
struct span watchemit_span(const struct watchfold *fold, uint32_t at);
struct sample watchemit_sample(const struct watchfold *fold, uint32_t at);
struct watch_link watchemit_link(const struct watchfold *fold, uint32_t at);

/* What the last apply touched, in the order of the facts; the marks are taken off. */
void watchemit_touched(const struct watchemit *emit, struct watchfold *fold);
/* What differs between `before` (the outcomes of the same facts, one by one) and the fold. */
void watchemit_difference(const struct watchemit *emit, const struct watch_outcome *before);
/* Containers that said no and have not been heard yet. */
void watchemit_refusals(const struct watchemit *emit, struct watchfold *fold);

#endif
