/*
 * ini_text: an INI file held in memory, read by inih, with the line number of every key.
 *
 *   [section]          # or ; begins a comment, at the start of a line
 *   key = value        ; after a space begins one behind a value
 *
 * Blanks around names and values do not count, and a line never continues the one before (inih's multi-line
 * values are off: an indented line is a line like others). inih's shared library gives no line numbers to its
 * handler, so the reader that feeds it counts. Its own limit on a line, 197 bytes, is told instead of splitting
 * the line in two.
 */
#ifndef BELLROPE_IO_INI_TEXT_H
#define BELLROPE_IO_INI_TEXT_H

#include <stddef.h>

enum { INI_TEXT_BYTES_MAX = 256 * 1024 };

/* Something wrong in a file a person wrote. The texts live during the call. `key` and `section` may be "". */
struct ini_problem {
    const char *file;
    int line; /* 0: the file as a whole */
    const char *section;
    const char *key;
    const char *text; /* what was found and what is accepted */
};
typedef void ini_problem_fn(void *ctx, const struct ini_problem *problem);

/* "bellrope.ini:12: [pad bridge] port: ..." into `out`, always terminated. */
void ini_problem_text(const struct ini_problem *problem, char *out, size_t size);

struct ini_text_report {
    ini_problem_fn *fn;
    void *ctx;
};

/* Called for each key, and once for each section header with `key` and `value` NULL. */
typedef void ini_text_fn(void *ctx, int line, const char *section, const char *key, const char *value);

/* Reads all of `text` (which need not be terminated); lines that are no INI are told to `report`. Returns the
 * number of those. NUL bytes are refused. */
int ini_text_parse(const char *file, const char *text, size_t len, ini_text_fn *handler, void *ctx,
                   const struct ini_text_report *report);

/* Reads a whole file, at most INI_TEXT_BYTES_MAX; the caller frees *text. 0, or a negative errno. */
int ini_text_load(const char *path, char **text, size_t *len);

#endif
