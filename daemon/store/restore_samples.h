/*
 * restore_samples: the latest telemetry of this boot of the machine, so that an engine that begins again knows how deep it was and where: the
 * way goes on instead of beginning at one fix, which may be an outlier, and a press made while no daemon ran is read between what came before
 * and what comes after.
 *
 * Of each channel and feed the last sample, and all of the 20 s before the newest of any. A block that is damaged is passed over: `doctor` tells
 * of it, and a daemon must begin.
 */
#ifndef BELLROPE_STORE_RESTORE_SAMPLES_H
#define BELLROPE_STORE_RESTORE_SAMPLES_H

#include "store/reader.h"

/* Hands over records op=restore.sample (docs/database.md) in order of time. How many, or a negative store_result. */
int64_t restore_samples(struct store_reader *reader, const char *host_boot_id, store_restore_sink *sink,
                        void *ctx);

#endif
