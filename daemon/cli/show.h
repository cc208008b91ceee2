/*
 * show: parts of a row or an event as people read them. Each writes into the caller's buffer and returns it; what is not known
 * is "-" or empty, never a number.
 */
#ifndef BELLROPE_CLI_SHOW_H
#define BELLROPE_CLI_SHOW_H

#include <jansson.h>

#define SHOW_SIZE 64

/* The text of a member; "" where it is absent or null. */
const char *show_text(const json_t *row, const char *name);
/* "05:06:07.089" of a member that holds a UTC. */
const char *show_time(const json_t *row, const char *name, char out[SHOW_SIZE]);
/* "31-03-04 05:06:07" with the date, for lists over days. */
const char *show_date_time(const json_t *row, const char *name, char out[SHOW_SIZE]);
/* "±1.4 ms", "±?" */
const char *show_bound(const json_t *row, char out[SHOW_SIZE]);
/* "M0112" of "D007-M0112"; of a ref in the member `name`. */
const char *show_ref(const json_t *row, const char *name);
/* A channel's value with so many decimals; "". */
const char *show_channel(const json_t *row, const char *channel, int decimals, char out[SHOW_SIZE]);
/* "12.34567 S 45.67891 E" */
const char *show_position(const json_t *row, char out[SHOW_SIZE]);
/* From a UTC to another one: "1:02:03". */
const char *show_duration(const json_t *row, const char *from, const char *to, char out[SHOW_SIZE]);

#endif
