/*
 * event: an entry as JSON text (RFC 8259), the `params` of the socket's `event` notification. The same bytes go into the journal and to
 * every subscriber. docs/schema/ describes them. No allocation; numbers are finite by construction, text is escaped, invalid UTF-8 becomes U+FFFD.
 */
#ifndef BELLROPE_CORE_EVENT_H
#define BELLROPE_CORE_EVENT_H

#include "core/entry.h"
#include "core/jsonout.h"

/* No event is longer; a marker with every reading takes about a third of it. */
#define EVENT_BYTES_MAX 32768

/* Writes the object without a newline and returns its length; 0 where `size` is too small. */
size_t event_json(const struct entry *entry, char *bytes, size_t size);

/* What was measured of a length, as it stands in its event and in a row of its sighting. */
void event_length_members(struct jsonout *out, const struct measurement_entry *length);

/* RFC 3339 in UTC with milliseconds, "2031-03-04T05:06:07.089Z"; rounds down. `out` holds 32 bytes. */
void event_utc_text(utc_ns utc, char *out);

#endif
