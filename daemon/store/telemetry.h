/*
 * telemetry: samples into blocks, blocks into rows. Writer thread only.
 *
 * Each series fills a block in memory. A block is closed when it holds TELEMETRY_BLOCK samples or ten minutes, when a sample is older than its
 * first, and when UTC steps against the monotonic clock by more than a millisecond from one sample to the next (the row gives UTC at its ends,
 * and a line between them must do). Its row is written about once a second while it grows, so that a crash costs a second and not a block; the
 * row's id is given when the block is opened, hence a retried write finds the same row. Which sample goes into which block depends on the
 * samples alone, never on when they are written: a replay makes the same rows.
 */
#ifndef BELLROPE_STORE_TELEMETRY_H
#define BELLROPE_STORE_TELEMETRY_H

#include "store/queue.h"
#include "store/series.h"

#include <sqlite3.h>

enum { TELEMETRY_BLOCK = 512 };
#define TELEMETRY_SPAN_NS (INT64_C(600) * NS_PER_S)
#define TELEMETRY_STEP_NS NS_PER_MS

struct telemetry;

/* NULL: see sqlite3_errmsg(db). `names` is shared with the loop thread. */
struct telemetry *telemetry_open(sqlite3 *db, int64_t run, const struct series_table *names);
void telemetry_close(struct telemetry *telemetry);

/*
 * Moves samples from the queue into blocks, from queue->at on. Stops early where enough closed blocks wait to be written. False: out of
 * memory; what was moved stays moved.
 */
bool telemetry_take(struct telemetry *telemetry, struct sample_queue *queue);

/* Anything that is not on disk: closed blocks, and with `open` the growing ones too. */
bool telemetry_has(const struct telemetry *telemetry, bool open);

/* Writes that, and the observations, inside the transaction that is open. SQLITE_OK or a result code. */
int telemetry_write(struct telemetry *telemetry, bool open, const struct observation_queue *observations);

/* The transaction was committed, or was not: then all of it is written again the next time. */
void telemetry_written(struct telemetry *telemetry, bool committed);

#endif
