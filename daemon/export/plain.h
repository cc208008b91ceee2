/*
 * plain: text of the record, a character at a time, fit for any format: what is no UTF-8 becomes U+FFFD, a control character or a
 * character that XML 1.0 does not allow a space. Escaping is the format's own business.
 */
#ifndef BELLROPE_EXPORT_PLAIN_H
#define BELLROPE_EXPORT_PLAIN_H

#include <stddef.h>

#define PLAIN_UNIT 5

/* Puts the first character of `text`, terminated, into `unit` and returns what follows it; NULL at the end of the text. */
const char *plain_next(const char *text, char unit[PLAIN_UNIT]);

/* The whole text, or as many characters as fit; always terminated. Returns what did not fit: the text's end where all did. */
const char *plain_copy(char *out, size_t size, const char *text);

#endif
