/*
 * answer: the place where one response goes: straight to a session, or into the batch that the request came in. Responses
 * may come in any order and long after the peer has gone.
 */
#ifndef BELLROPE_IO_ANSWER_H
#define BELLROPE_IO_ANSWER_H

#include "io/jsonrpc.h"

struct session;
struct batch;

struct answer {
    struct session *session; /* holds a reference; NULL: nothing here */
    struct batch *batch;     /* NULL: not in a batch */
    char *id;                /* JSON text; NULL: a notification, the response is thrown away */
};

/* A batch's line goes out when every answer made in it was given and batch_seal() was called. NULL: out of memory. */
struct batch *batch_new(void);
void batch_seal(struct batch *batch, struct session *session);

/* `id` from jsonrpc_id_text() or NULL; taken over. */
struct answer answer_make(struct session *session, struct batch *batch, char *id);
/* Each ends the answer. */
void answer_result(struct answer *answer, const char *result, size_t len);
void answer_error(struct answer *answer, int code, const char *message);
void answer_drop(struct answer *answer);

#endif
