/*
 * jsonrpc: JSON-RPC 2.0 (the specification of 2013-01-04, jsonrpc.org/specification) over RFC 8259 texts. Reads one line
 * and writes responses; knows no method and no socket.
 *
 * Stricter than it must be in two places, because a command may mark science: an object with a doubled name is an invalid
 * request (RFC 8259 section 4 leaves its meaning open), and so are U+0000 in a text and numbers that do not fit.
 * Params come by name; by-position params are refused with -32602.
 */
#ifndef BELLROPE_IO_JSONRPC_H
#define BELLROPE_IO_JSONRPC_H

#include "io/bytes.h"

#include <jansson.h>

#define JSONRPC_WHY_SIZE 512
#define JSONRPC_BATCH_MAX 100

enum jsonrpc_code {
    JSONRPC_FINE = 0,
    JSONRPC_PARSE = -32700,
    JSONRPC_INVALID = -32600,
    JSONRPC_NO_METHOD = -32601,
    JSONRPC_PARAMS = -32602,
    JSONRPC_INTERNAL = -32603,
    /* ours, after those of enum engine_refusal */
    JSONRPC_BUSY = -32010,      /* too much under way; try again */
    JSONRPC_TOKEN = -32011,     /* say hello with a token first */
    JSONRPC_FORBIDDEN = -32012, /* this token may only read */
    JSONRPC_DATABASE = -32013   /* the query failed */
};

/* One request inside a line. Points into the parsed text, which must outlive it. */
struct jsonrpc_call {
    const char *method;
    json_t *params;   /* an object, or NULL: none were given */
    const json_t *id; /* NULL: a notification, never answered */
};

/* Parses a line: an object, or an array of 1 to JSONRPC_BATCH_MAX members. NULL with a code and a sentence otherwise. */
json_t *jsonrpc_parse(const char *line, size_t len, enum jsonrpc_code *code, char why[JSONRPC_WHY_SIZE]);

/* Reads one member. On JSONRPC_INVALID `id` is what could be recognised, else NULL, and the answer is due in any case; on
 * JSONRPC_PARAMS (params by position) method and id are set. */
enum jsonrpc_code jsonrpc_call_read(const json_t *member, struct jsonrpc_call *call,
                                    char why[JSONRPC_WHY_SIZE]);

/* The id as JSON text, from malloc(); "null" for NULL. */
char *jsonrpc_id_text(const json_t *id);

/* Responses without newline. `id` is JSON text, `result` too. */
void jsonrpc_put_result(struct bytes *out, const char *id, const char *result, size_t result_len);
void jsonrpc_put_error(struct bytes *out, const char *id, int code, const char *message);

#endif
