/*
 * check: `bellroped --check`. Opens what the daemon would open, as far as that changes nothing, and tells what is wrong by
 * file, line and key. A key plan, a database or a tape that cannot be used is wrong. A port, a fifo or a file that is not
 * there now is only noted: the daemon waits for those.
 */
#ifndef BELLROPE_APP_CHECK_H
#define BELLROPE_APP_CHECK_H

#include "io/config.h"

/* `problems`: how many were told already while the configuration was read; with some, nothing is opened. Returns the exit
 * code, 0 when the daemon would start, and prints a summary on stdout. */
int check_run(const struct config *config, int problems, const struct ini_text_report *report);

#endif
