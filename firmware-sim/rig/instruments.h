/*
 * instruments: what ship, acoustic positioning, vehicle and CTD send, and when.
 *
 * Each takes its values of the true world at regular instants (the ship's on whole multiples of UTC, as a GNSS receiver does)
 * and lets them go later: by the feed's lateness plus an evenly spread jitter. Values are those of the instant they were taken.
 * Acoustic fixes carry normal noise and now and then a gross error of 60 to 400 m. A vehicle out of an altimeter's reach sends
 * no altitude.
 */
#ifndef BELLROPE_RIG_INSTRUMENTS_H
#define BELLROPE_RIG_INSTRUMENTS_H

#include "chance.h"
#include "script.h"

struct instruments;

typedef void instruments_sink(void *ctx, enum script_feed feed, int64_t now_ns, const char *bytes,
                              size_t len);

/* NULL where memory is short. The script and the sink's context must outlive it. */
struct instruments *instruments_new(const struct script *script, int64_t start_ns, int64_t utc_offset_ns,
                                    instruments_sink *sink, void *ctx);
void instruments_free(struct instruments *instruments);

void instruments_set_utc(struct instruments *instruments, int64_t offset_ns);
/* Sends all that is due up to now_ns, in order of time within one feed. */
void instruments_run(struct instruments *instruments, int64_t now_ns);

/* Off: the instrument is silent, its clock goes on. */
void instruments_switch(struct instruments *instruments, enum script_feed feed, bool on);
/* Lines with wrong checksums, cut lines, and noise. */
void instruments_garble(struct instruments *instruments, enum script_feed feed, int64_t now_ns,
                        int64_t lines);

#endif
