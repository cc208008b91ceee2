/*
 * lookback: commands about what lies behind, made ready for the engine.
 *
 * The engine knows the dive in hand and the telemetry of the last minute. What else a command needs only the record on disk has, and the
 * engine reads no disk. So before such a command is delivered its record is completed here:
 *
 *   dive=ID, or a ref with a dive   an ended dive is taken up again (INPUT_RESTORE records) while no dive is open
 *   at_timecode=LABEL               stored_utc, stored_bound: the instant by the markers of that dive
 *   ref of another dive             absent=1 where there is no such record
 *
 * And what the engine asks for after a late entry (struct engine_lookup) is answered as a record op=stored. All of these go onto the
 * tape like every input, so that a replay needs no disk either.
 *
 * A reader's thread.
 */
#ifndef BELLROPE_STORE_LOOKBACK_H
#define BELLROPE_STORE_LOOKBACK_H

#include "store/query.h"

/* What the engine has in hand (engine_dive_in_hand) and whether that dive is open. */
struct lookback_hand {
    char dive[DIVE_ID_SIZE];
    bool open;
};

/* Whether a command's record needs the disk at all; most do not. No reader is needed. */
bool lookback_needed(const struct lookback_hand *hand, const char *record, size_t len);

/*
 * Hands over the restore records, and writes the completed command into `out` (FIELDS_BYTES_MAX). Returns its length; 0 and *error where
 * the database cannot be read.
 */
size_t lookback_command(struct store_reader *reader, const struct lookback_hand *hand, const char *record,
                        size_t len, store_restore_sink *restore, void *ctx, char *out,
                        struct store_error *error);

/* The answer to a lookup into `out` (FIELDS_BYTES_MAX); its length. `config` as in instant.h. */
size_t lookback_stored(struct store_reader *reader, const struct engine_config *config,
                       const struct engine_lookup *lookup, char *out);

#endif
