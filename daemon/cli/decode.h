/*
 * decode: what the daemon would make of an input, one JSON object a line. The parsers are the daemon's own; only the words
 * around them are here.
 */
#ifndef BELLROPE_CLI_DECODE_H
#define BELLROPE_CLI_DECODE_H

#include "cli/options.h"

/* Each reads `in` to its end, prints to stdout, and returns an exit code. */
int decode_nmea(const struct options *options, FILE *in);
int decode_columns(const struct options *options, FILE *in);
int decode_ltc(const struct options *options, FILE *in);

#endif
