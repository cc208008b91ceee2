/*
 * eventline: an event as one line for people, markers in columns under eventline_head(). At most 100 places wide but for a note or
 * sentence at the end; control characters become blanks; no blanks at the end.
 */
#ifndef BELLROPE_CLI_EVENTLINE_H
#define BELLROPE_CLI_EVENTLINE_H

#include <jansson.h>

#define EVENTLINE_SIZE 4096

const char *eventline_head(void);
/* Writes the line without a newline and returns `out`. */
const char *eventline(const json_t *event, char out[EVENTLINE_SIZE]);

#endif
