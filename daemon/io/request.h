/*
 * request: the methods of the socket as one table, and a call checked against it. A command becomes the `fields` record
 * that the engine takes (INPUT_COMMAND); everything else becomes a small struct that the socket acts on. No loop, no state.
 *
 * Names not in the table are refused and the accepted ones named: a misspelt `ago_s` that was passed over would stamp a
 * marker with the wrong instant.
 */
#ifndef BELLROPE_IO_REQUEST_H
#define BELLROPE_IO_REQUEST_H

#include "core/fields.h"
#include "io/jsonrpc.h"
#include "io/socket.h"

enum request_kind {
    REQUEST_COMMAND,
    REQUEST_STATUS,
    REQUEST_SUBSCRIBE,
    REQUEST_UNSUBSCRIBE,
    REQUEST_QUERY,
    REQUEST_HELLO
};

#define REQUEST_TOKEN_SIZE 128

struct request {
    enum request_kind kind;
    bool writes;    /* needs a peer that may write */
    bool new_dive;  /* dive.begin: `query` says what must not be known yet */
    bool has_since; /* subscribe */
    int64_t since;
    uint32_t types; /* bit n: enum entry_type n */
    struct socket_query query;
    char token[REQUEST_TOKEN_SIZE]; /* hello */
    size_t record_len;
    char record[FIELDS_BYTES_MAX]; /* a command's record, with `token` in it */
};

/* JSONRPC_FINE, JSONRPC_NO_METHOD or JSONRPC_PARAMS with a sentence in `why`. `number` becomes the record's token=. */
enum jsonrpc_code request_read(const struct jsonrpc_call *call, int64_t number, struct request *out,
                               char why[JSONRPC_WHY_SIZE]);

/* The i-th method's name; NULL beyond the last. */
const char *request_method(size_t i);

#endif
