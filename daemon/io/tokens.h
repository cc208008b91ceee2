/*
 * tokens: who may come over TCP. A file of lines
 *
 *   # comment
 *   read  TOKEN      may ask and subscribe
 *   write TOKEN      may also press, begin dives ...
 *
 * A token is 16 to 127 visible ASCII characters without blanks. The file may not be readable by others nor writable by
 * anyone but its owner. Comparison takes the same time for every token of the same length; tokens are never logged.
 */
#ifndef BELLROPE_IO_TOKENS_H
#define BELLROPE_IO_TOKENS_H

#include <stdbool.h>
#include <stddef.h>

#define TOKENS_MAX 64

enum token_role { TOKEN_NONE, TOKEN_READS, TOKEN_WRITES };

struct tokens;

/* NULL with a sentence that names file and line. */
struct tokens *tokens_load(const char *path, char *why, size_t why_size);
/* The contents of a file, for tests; `name` is for the sentence. */
struct tokens *tokens_parse(const char *name, const char *text, char *why, size_t why_size);
enum token_role tokens_role(const struct tokens *tokens, const char *token);
void tokens_free(struct tokens *tokens);

#endif
